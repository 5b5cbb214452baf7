"""The lower app's pages stand without the upper one's templates, scripts and styles, as its code does."""

from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
LOWER = [ROOT / "templates/competence", ROOT / "templates/components", ROOT / "competence/static"]
TEXT = {".html", ".js", ".css", ".svg"}


def reaching_up(root: Path) -> list[str]:
    files = [file for file in root.rglob("*") if file.suffix in TEXT]
    assert files, root
    return [str(file.relative_to(ROOT)) for file in files if "assessments/" in file.read_text()]


@pytest.mark.parametrize("root", LOWER, ids=lambda root: root.name)
def test_no_page_of_the_lower_app_takes_a_file_of_the_upper(root: Path) -> None:
    assert reaching_up(root) == []
