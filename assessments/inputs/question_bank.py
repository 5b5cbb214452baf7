"""The bank of questions that comes with the register, and a paper of them for each category to start from.

Part of loading the reference content, and as repeatable: what a firm has made of a question or a paper since
stands.
"""

from datetime import date
from pathlib import PurePosixPath
from typing import Any

from assessments.actions.bank import BankQuestion, load_bank
from assessments.actions.papers import PaperLine, publish_paper, shortfalls_in
from assessments.models import PaperVersion, Topic
from assessments.rules.questions import Kind
from competence.inputs.content_files import ContentFolder, UnreadableContent
from competence.inputs.reference import Loaded
from competence.models import Account, Category

TOPICS, QUESTIONS, PAPERS = "topics.toml", "questions", "papers.toml"
MUST_SAY = {"code", "kind", "categories", "critical", "scenario", "ask", "explanation", "source"}
MAY_SAY = {"choices", "steps", "number", "picture", "with"}


def load_question_bank(
    *, by: Account, files: ContentFolder, loaded: Loaded, no_later_than: date | None
) -> None:
    """Load the topics, the questions and the papers; a folder without topics has none of these."""
    if not files.holds(TOPICS):
        return
    questions = [
        _question(name, line)
        for name in (files.names(QUESTIONS) if files.holds(QUESTIONS) else [])
        for line in files.tables(name, "question")
    ]
    taken = load_bank(by=by, topics=files.tables(TOPICS, "topic"), questions=questions)
    counts = {
        "topics": len(taken.topics),
        "questions": len(taken.questions),
        "new versions of questions": len(taken.versions) - len(taken.questions),
    }
    loaded.new.update({kind: count for kind, count in counts.items() if count})
    loaded.left_alone += taken.left_alone
    if files.holds(PAPERS):
        for line in files.tables(PAPERS, "paper"):
            _load_paper(by, line, loaded, no_later_than)


def _question(name: str, line: dict[str, Any]) -> BankQuestion:
    """A question as the files write it; the file is named after its topic."""
    code = line.get("code", "a question without a code")
    if wrong := sorted(MUST_SAY - set(line)):
        raise UnreadableContent(f"{name}: {code} does not say {', '.join(wrong)}.")
    if wrong := sorted(set(line) - MUST_SAY - MAY_SAY):
        raise UnreadableContent(f"{name}: {code} says {', '.join(wrong)}, which no question has.")
    return BankQuestion(
        code=code,
        topic=PurePosixPath(name).stem,
        wording={
            "kind": line["kind"],
            "categories": line["categories"],
            "is_critical": line["critical"],
            "scenario": line["scenario"],
            "ask": line["ask"],
            "content": _content(line),
            "picture": line.get("picture", ""),
            "picture_fixed": line.get("with", {}),
            "explanation": line["explanation"],
            "source": line["source"],
        },
    )


def _content(line: dict[str, Any]) -> dict[str, Any]:
    if line["kind"] in (Kind.ONE, Kind.SEVERAL):
        return {"choices": [{"why": ""} | choice for choice in line.get("choices", [])]}
    if line["kind"] == Kind.ORDER:
        return {"steps": line.get("steps", [])}
    return dict(line.get("number", {})) if line["kind"] == Kind.NUMBER else {}


def _load_paper(by: Account, content: dict[str, Any], loaded: Loaded, no_later_than: date | None) -> None:
    """The first paper of a category; one that has a paper keeps it."""
    terms = dict(content)
    category = Category.objects.get(code=terms.pop("category"))
    if PaperVersion.objects.filter(category=category).exists():
        return
    topics = {topic.code: topic for topic in Topic.objects.all()}
    lines = [
        PaperLine(topics[line["topic"]], line["questions"], line.get("must_be_right", 0))
        for line in terms.pop("line")
    ]
    if short := shortfalls_in(category, lines):
        # A firm may have retired what this paper rests on; everything else is loaded all the same.
        told = ", ".join(f"{topics[one.topic].name} ({one.held} of {one.needed})" for one in short)
        loaded.left_alone.append(f"The paper for {category.name}: too few questions are in use of {told}.")
        return
    start = terms.pop("in_force_from")
    publish_paper(
        by=by,
        category=category,
        in_force_from=min(start, no_later_than) if no_later_than else start,
        lines=lines,
        **terms,
    )
    loaded.new["papers"] += 1
