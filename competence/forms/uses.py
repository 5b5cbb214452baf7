"""Telling the register that machines worked: a file, or one shift."""

from typing import Any

from django import forms

from competence.actions.uses import UseLine
from competence.forms.record_form import RecordForm, day
from competence.inputs.usage_file import UsageLine, read_usage
from competence.models import Machine, MachineUse

# More than a screenful of problems helps nobody; the number of the rest is told.
MOST_PROBLEMS = 30


class _Replacing(RecordForm):
    replaces = forms.BooleanField(
        label="It replaces what is recorded",
        required=False,
        help_text="For putting hours right. Both figures stay in the register's journal.",
    )


class UsageFileForm(_Replacing):
    """A file of uses; ``lines`` after it was found good."""

    file = forms.FileField(
        label="Usage file (.csv)",
        help_text="First line: machine,date,shift,hours. Then a line a shift, such as "
        "LO-01,2026-03-25,day,7.5. Shift: day, night or empty.",
        widget=forms.ClearableFileInput(attrs={"accept": ".csv,text/csv"}),
    )
    field_order = ["file", "replaces"]

    def __init__(self, *args: Any, site_ids: frozenset[int] | None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._site_ids = site_ids
        self.lines: list[UseLine] = []

    def clean_file(self) -> Any:
        sent = self.cleaned_data["file"]
        # A file that is too large is told so by its reader, and not read whole for that.
        told = read_usage(sent.read(3 * 1024 * 1024))
        problems = list(told.problems)
        numbers = {line.machine for line in told.lines}
        # Not asked for by number: a database takes only so many in one statement.
        every = Machine.objects.with_state() if numbers else Machine.objects.none()
        machines = {row.fleet_number: row for row in every if row.fleet_number in numbers and row.state}
        for line in told.lines:
            problem = self._problem(line, machines)
            if problem:
                problems.append(f"Line {line.number}: {problem}")
            else:
                self.lines.append(UseLine(machines[line.machine], line.on, line.shift, line.hours))
        if problems:
            rest = len(problems) - MOST_PROBLEMS
            told_of = problems[:MOST_PROBLEMS] + ([f"And {rest} more like these."] if rest > 0 else [])
            raise forms.ValidationError(
                ["Nothing was recorded. Put these right and send the file again.", *told_of]
            )
        return sent

    def _problem(self, line: UsageLine, machines: dict[str, Machine]) -> str:
        machine = machines.get(line.machine)
        if machine is None:
            return f"no machine has the fleet number “{line.machine[:20]}”."
        if self._site_ids is not None and machine.state.site_id not in self._site_ids:
            return f"{machine.fleet_number} stands at {machine.site.name}, which is not your site."
        return ""


class UseForm(_Replacing):
    """One machine on one shift."""

    machine = forms.ModelChoiceField(label="Machine", queryset=Machine.objects.none())
    on = day("Day", help_text="Of a night shift, the day on which it began.")
    shift = forms.ChoiceField(
        label="Shift", required=False, choices=[("", "Not known"), *MachineUse.Shift.choices]
    )
    hours = forms.DecimalField(
        label="Hours worked", min_value=0, max_value=24, decimal_places=1, help_text="0 says that it stood."
    )
    source = forms.CharField(
        label="Where this comes from", max_length=200, help_text="Such as the shift sheet."
    )
    field_order = ["machine", "on", "shift", "hours", "source", "replaces"]

    def __init__(self, *args: Any, site_ids: frozenset[int] | None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        machines = Machine.objects.with_state().at_sites(site_ids).order_by("fleet_number")
        self.fields["machine"].queryset = machines
