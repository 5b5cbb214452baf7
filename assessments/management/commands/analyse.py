"""A table of answers in, question analysis out; needs no register."""

import json
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand

from assessments.inputs.responses import ResponseTable, UnreadableResponses, read_key, read_responses
from assessments.rules.analysis import Analysis, analyse
from assessments.rules.analysis_decisions import Consistency
from assessments.rules.analysis_difficulty import Difficulty
from assessments.rules.analysis_questions import Correlation, QuestionFigures
from assessments.rules.analysis_reliability import Reliability
from assessments.rules.analysis_words import (
    consistency_words,
    error_words,
    few_answers,
    looks,
    method_words,
    reliability_words,
)
from competence.management.questions import not_understood

HEADS = ("", "answers", "right", "95 %", "with rest", "95 %", "logits", "error")


class Command(BaseCommand):
    help = (
        "What a table of answers says of each question and of the paper: the share right, whether it tells "
        "strong people from weak, who picks what, reliability, and how consistent decisions at a cut are. "
        "Exit: 0 worked out, 2 not understood."
    )

    # A calculation on a file: it asks nothing of the register or its database.
    requires_system_checks = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("responses", metavar="RESPONSES.csv", help="a header, then one row a person")
        parser.add_argument("--key", metavar="KEY.csv", help="question, right choice, perhaps its choices")
        parser.add_argument("--cut", type=int, metavar="N", help="right answers that it takes to pass")
        parser.add_argument(
            "--drawn", action="store_true", help="an empty cell is a question not asked, rather than wrong"
        )
        parser.add_argument("--json", action="store_true", help="print the figures as JSON")

    def handle(self, *, responses: str, **options: Any) -> None:
        cut = options["cut"]
        try:
            if cut is not None and cut < 1:
                raise UnreadableResponses("The cut is at least one right answer.")
            key = None if options["key"] is None else read_key(Path(options["key"]))
            read = read_responses(Path(responses), key=key, are_drawn=options["drawn"])
        except UnreadableResponses as problem:
            raise not_understood(str(problem)) from problem
        found = analyse(read.responses, cut)
        if options["json"]:
            self.stdout.write(json.dumps(_as_plain(read, found), indent=2, ensure_ascii=False))
            return
        self._tell_paper(found)
        if read.blanks:
            told = "taken as not asked" if options["drawn"] else "counted as wrong; with --drawn as not asked"
            self.stdout.write(f"{read.blanks} empty {'cell' if read.blanks == 1 else 'cells'} {told}.")
        self._tell_questions(found)
        self._tell_choices(found)
        self._tell_looks(found)

    def _tell_paper(self, found: Analysis) -> None:
        paper = found.reliability
        self.stdout.write(f"{found.people} people, {len(found.questions)} questions.")
        if paper.value is None or paper.interval is None:
            self.stdout.write(f"Reliability: {paper.why_not}")
        else:
            low, high = paper.interval
            self.stdout.write(f"Reliability {paper.value:.4f}, 95 % {low:.4f} to {high:.4f}.")
            self.stdout.write(method_words(paper))
            self.stdout.write(f"Standard error of measurement {paper.error:.4f} right answers.")
            for words in (reliability_words(paper), error_words(paper)):
                if words:
                    self.stdout.write(words)
        if found.consistency:
            self._tell_consistency(found.consistency)

    def _tell_consistency(self, found: Consistency) -> None:
        self.stdout.write(f"At a cut of {found.cut}, {found.passed} of {found.people} pass.")
        self.stdout.write(consistency_words(found))
        if found.agreed is not None:
            kappa = "no value" if found.kappa is None else f"{found.kappa:.4f}"
            self.stdout.write(
                f"Subkoviak {found.agreed:.4f}, kappa {kappa}; Livingston's k² {found.about_cut:.4f}."
            )

    def _tell_questions(self, found: Analysis) -> None:
        rows = [
            [
                one.question,
                str(one.answers),
                "" if one.facility is None else f"{one.facility:.3f}",
                _span(one.facility_interval),
                "" if one.discrimination.value is None else f"{one.discrimination.value:.3f}",
                _span(one.discrimination.interval),
                "" if placed.logits is None else f"{placed.logits:.2f}",
                "" if placed.error is None else f"{placed.error:.2f}",
            ]
            for one, placed in zip(found.questions, found.difficulties, strict=True)
        ]
        widths = [max(len(row[n]) for row in (HEADS, *rows)) for n in range(len(HEADS))]
        self.stdout.write("")
        for row in (HEADS, *rows):
            cells = [row[0].ljust(widths[0])]
            cells += [cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True)]
            self.stdout.write("  ".join(cells).rstrip())

    def _tell_choices(self, found: Analysis) -> None:
        for one in found.questions:
            if not one.choices:
                continue
            self.stdout.write(f"\n{one.question}, by choice: picked, mean share right elsewhere, correlation")
            for choice in one.choices:
                rest = "" if choice.mean_rest is None else f"{choice.mean_rest:.3f}"
                value = choice.discrimination.value
                with_rest = "" if value is None else f"{value:.3f}"
                mark = "*" if choice.is_right else " "
                self.stdout.write(f"  {mark} {choice.label:<12} {choice.count:>6} {rest:>6} {with_rest:>7}")
            if one.unanswered:
                self.stdout.write(f"    no answer    {one.unanswered:>6}")

    def _tell_looks(self, found: Analysis) -> None:
        self.stdout.write("")
        looked = 0
        for one in found.questions:
            for look in looks(one):
                looked += 1
                self.stdout.write(f"{one.question}: {look.title.lower()}. {look.sentence}")
        if not looked and not all(few_answers(one) for one in found.questions):
            self.stdout.write("No question stands out as needing a look.")
        if few := [one.question for one in found.questions if few_answers(one)]:
            self.stdout.write(f"Few answers say little; nothing is said of {', '.join(few)}.")
        for one, placed in zip(found.questions, found.difficulties, strict=True):
            if one.discrimination.value is None:
                self.stdout.write(f"{one.question}, with the rest: {one.discrimination.why_not}")
            if placed.why_not and not few_answers(one):
                self.stdout.write(f"{one.question}, difficulty: {placed.why_not}")


def _span(interval: tuple[float, float] | None) -> str:
    return "" if interval is None else f"{interval[0]:.3f} to {interval[1]:.3f}"


def _as_plain(read: ResponseTable, found: Analysis) -> dict[str, Any]:
    return {
        "people": found.people,
        "empty_cells": read.blanks,
        "reliability": _reliability_as_plain(found.reliability),
        "consistency": None if found.consistency is None else _consistency_as_plain(found.consistency),
        "questions": [
            _question_as_plain(one, placed)
            for one, placed in zip(found.questions, found.difficulties, strict=True)
        ],
    }


def _reliability_as_plain(found: Reliability) -> dict[str, Any]:
    return {
        "value": found.value,
        "interval": _listed(found.interval),
        "method": found.method,
        "people": found.people,
        "standard_error_of_measurement": found.error,
        "mean": found.mean,
        "variance": found.variance,
        "why_not": found.why_not,
    }


def _consistency_as_plain(found: Consistency) -> dict[str, Any]:
    return {
        "cut": found.cut,
        "passed": found.passed,
        "people": found.people,
        "agreed": found.agreed,
        "kappa": found.kappa,
        "livingston": found.about_cut,
        "why_not": found.why_not,
    }


def _question_as_plain(one: QuestionFigures, placed: Difficulty) -> dict[str, Any]:
    return {
        "question": one.question,
        "answers": one.answers,
        "right": one.right,
        "facility": one.facility,
        "facility_interval": _listed(one.facility_interval),
        "discrimination": _correlation_as_plain(one.discrimination),
        "difficulty": {"logits": placed.logits, "standard_error": placed.error, "why_not": placed.why_not},
        "choices": [
            {
                "choice": choice.label,
                "is_right": choice.is_right,
                "count": choice.count,
                "mean_rest": choice.mean_rest,
                "discrimination": _correlation_as_plain(choice.discrimination),
                "by_group": list(choice.by_group),
            }
            for choice in one.choices
        ],
        "groups": None if one.groups is None else list(one.groups),
        "unanswered": one.unanswered,
        "needs_a_look": [
            {"reason": look.reason, "title": look.title, "sentence": look.sentence} for look in looks(one)
        ],
        "few_answers": few_answers(one),
    }


def _correlation_as_plain(found: Correlation) -> dict[str, Any]:
    return {"value": found.value, "interval": _listed(found.interval), "why_not": found.why_not}


def _listed(interval: tuple[float, float] | None) -> list[float] | None:
    return None if interval is None else list(interval)
