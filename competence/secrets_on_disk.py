"""Secrets made on first use, for a register that runs on one machine."""

import os
import secrets
from pathlib import Path


def kept_secret(path: Path, purpose: str) -> str:
    """The secret in ``path``; made there, readable by its owner only, when it does not exist yet.

    ``purpose`` "ed25519" gives 32 random bytes as hexadecimal digits; anything else a long random text.
    Two processes that start together end up with the same secret: the first to create the file wins.
    """
    if path.exists():
        return path.read_text().strip()
    fresh = secrets.token_hex(32) if purpose == "ed25519" else secrets.token_urlsafe(50)
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with open(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as file:
            file.write(fresh)
        os.link(draft, path)
    except FileExistsError:
        pass
    finally:
        draft.unlink(missing_ok=True)
    return path.read_text().strip()
