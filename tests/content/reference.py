"""The reference content as the files say it, read once for the tests of this folder."""

import tomllib
from pathlib import Path

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference"


def read(name: str) -> dict:
    return tomllib.loads((REFERENCE / name).read_text(encoding="utf-8"))


CATEGORIES = {line["code"]: line for line in read("categories.toml")["category"]}
FEATURES = {line["code"]: line for line in read("features.toml")["feature"]}
POINT_LINES = [
    line
    for path in sorted((REFERENCE / "points").glob("*.toml"))
    for line in read(f"points/{path.name}")["point"]
]
POINTS = {line["code"]: line for line in POINT_LINES}
PAIRS = read("precedence.toml")["pair"]
CHECKLISTS = {
    path.stem: read(f"checklists/{path.name}") for path in sorted((REFERENCE / "checklists").glob("*.toml"))
}
STANDARDS = {line["category"]: line["version"] for line in read("standards.toml")["standard"]}


def listed(category: str) -> list[str]:
    """The codes of a category's checklist in walking order."""
    return [code for zone in CHECKLISTS[category]["zone"] for code in zone["points"]]
