"""What to say when the register cannot write or its database does not answer."""

from dataclasses import dataclass
from enum import Enum


class Cause(Enum):
    """Why it could not be done, and whether the change is certainly taken back then."""

    FULL = "The disk on which the register writes is full."
    READ_ONLY = "The register can be read at the moment, and not written to."
    BUSY = "Others were writing at the same moment, and this had to give way."
    AWAY = "The register's database did not answer."

    @property
    def takes_back(self) -> bool:
        """A database that went away may have kept the change and not have lived to say so."""
        return self is not Cause.AWAY

    @property
    def wait_seconds(self) -> int:
        """After how long it is worth trying again; common practice."""
        return 5 if self is Cause.BUSY else 30


# The primary result codes of SQLite (sqlite.org/rescode.html); extended ones hold them in their low byte.
SQLITE = {13: Cause.FULL, 8: Cause.READ_ONLY, 5: Cause.BUSY, 6: Cause.BUSY, 10: Cause.AWAY, 14: Cause.AWAY}
# PostgreSQL's error codes (its manual, appendix A): disk_full, read_only_sql_transaction, lock_not_available,
# deadlock_detected, serialization_failure.
POSTGRES = {
    "53100": Cause.FULL,
    "25006": Cause.READ_ONLY,
    "55P03": Cause.BUSY,
    "40P01": Cause.BUSY,
    "40001": Cause.BUSY,
}


@dataclass(frozen=True)
class Unavailable:
    cause: Cause
    # Somebody sent something, rather than only looked.
    is_sent: bool
    # Whether the door had been reached, and whether it had done all its work.
    is_begun: bool
    is_done: bool

    @property
    def kept(self) -> str:
        """What became of what was sent."""
        if not self.is_sent:
            return "Nothing was changed."
        if not self.is_begun or (self.cause.takes_back and not self.is_done):
            return "Nothing was kept; send it again when the register can take it."
        return (
            "It is not certain whether what you sent was kept: look before you send it again. A daily check, "
            "a mark or an answer that is sent twice counts once."
        )

    @property
    def sentence(self) -> str:
        return f"{self.cause.value} {self.kept}"
