"""The scenario's picture of a damaged tyre: drawn, and saying so, since nobody was there to photograph it."""

import io

from PIL import Image, ImageDraw, ImageFont

WIDTH, HEIGHT = 1000, 750
GROUND, RUBBER, TREAD, RIM, HUB, CORD = "#b8ab95", "#2f2f31", "#232325", "#d09a2c", "#6f6a60", "#e9e2d2"


def cut_tyre() -> bytes:
    """A wheel side on, with a cut in the outer wall, as a JPEG."""
    picture = Image.new("RGB", (WIDTH, HEIGHT), "#d7dde2")
    draw = ImageDraw.Draw(picture)
    draw.rectangle((0, 640, WIDTH, HEIGHT), fill=GROUND)
    middle, radius = (500, 350), 310
    for angle in range(0, 360, 9):
        draw.pieslice(_round(middle, radius + 14), angle, angle + 5, fill=TREAD)
    draw.ellipse(_round(middle, radius), fill=RUBBER)
    draw.ellipse(_round(middle, 236), outline="#3b3b3e", width=6)
    draw.ellipse(_round(middle, 170), fill=RIM, outline="#8a661c", width=8)
    draw.ellipse(_round(middle, 62), fill=HUB)
    # The cut: open rubber, and no cord showing, which is why it was graded to report.
    draw.line((652, 156, 690, 196, 702, 240, 724, 268), fill="#101011", width=16, joint="curve")
    draw.line((654, 160, 690, 198, 703, 242, 722, 266), fill="#a39b90", width=5, joint="curve")
    draw.rounded_rectangle((30, 682, 560, 730), 8, fill=CORD)
    draw.text(
        (48, 690), "Drawn for the demo: front left tyre", fill="#222222", font=ImageFont.load_default(26)
    )
    kept = io.BytesIO()
    picture.save(kept, "JPEG", quality=85)
    return kept.getvalue()


def _round(middle: tuple[int, int], radius: int) -> tuple[int, int, int, int]:
    return middle[0] - radius, middle[1] - radius, middle[0] + radius, middle[1] + radius
