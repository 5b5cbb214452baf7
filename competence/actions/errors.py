"""What an action raises when it will not do what was asked; the text is fit for the screen."""

# Said of a change or a correction that would leave everything as it is.
SAYS_SO_ALREADY = "That is what it says already."


class ActionRefused(Exception):
    """The thing may not happen in this state. ``field`` names the input at fault, where one is."""

    def __init__(self, sentence: str, *, field: str | None = None) -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.field = field
