"""The code on a machine's label: the address of its daily check, to be read by a phone's camera."""

from io import BytesIO

import segno

# A label on plant is scratched and greasy: a quarter of the code may be lost (ISO/IEC 18004, level Q).
ERROR_CORRECTION = "q"
# The quiet zone that the standard asks for, in modules.
QUIET_ZONE = 4


def code_for(address: str) -> segno.QRCode:
    """The QR code that says ``address`` and nothing else."""
    return segno.make_qr(address, error=ERROR_CORRECTION)


def code_as_svg(address: str) -> bytes:
    """The code as a drawing that scales with the label; black on white in every theme."""
    drawing = BytesIO()
    code_for(address).save(
        drawing, kind="svg", border=QUIET_ZONE, dark="#000", light="#fff", omitsize=True, nl=False
    )
    return drawing.getvalue()
