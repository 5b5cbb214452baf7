"""What an action raises when it will not do what was asked; the text is fit for the screen."""


class ActionRefused(Exception):
    """The thing may not happen in this state. ``field`` names the input at fault, where one is."""

    def __init__(self, sentence: str, *, field: str | None = None) -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.field = field
