"""What is kept, how long and by which rule, and what is past its time; it erases nothing."""

import json
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand

from competence.actions.clock import now
from competence.queries.keeping import kind_lines, people_past


class Command(BaseCommand):
    help = "Print what is past its time, by kind and by person. It erases nothing: a person decides. Exit: 0."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--json", action="store_true", help="print it as JSON")

    def handle(self, **options: Any) -> None:
        moment = now()
        lines, gone = kind_lines(moment), people_past(moment, None)
        if options["json"]:
            told = {
                "at": moment.isoformat(),
                "kinds": [
                    {
                        "kind": one.kind.value,
                        "rows": one.rows,
                        "past": one.past,
                        "rules": [
                            {"words": rule.words, "source": rule.source, "site": rule.site}
                            for rule in one.clauses
                        ],
                    }
                    for one in lines
                ],
                "people": [{"number": one.number, "left_on": left.isoformat()} for one, left in gone],
            }
            self.stdout.write(json.dumps(told, indent=2, ensure_ascii=False))
            return
        for one in lines:
            if one.rows is not None:
                self.stdout.write(f"{one.words}: {one.past} of {one.rows} past their time")
        for person, left in gone:
            self.stdout.write(f"{person.number} left on {left}, longer ago than the law asks of the name")
        self.stdout.write("Nothing was erased: a person decides, under “Keeping”.")
