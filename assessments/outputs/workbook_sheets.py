"""The workbook's sheets about practical assessments and sittings; see ``MORE_SHEETS`` in the app below."""

from assessments.queries import workbook as rows
from competence.outputs.typed_sheets import Column, Type
from competence.outputs.workbook_sheets import LONG_KEY, PERSON, Sheet

ASSESSMENTS = Sheet(
    "Assessments",
    "assessments.assessment",
    "Practical assessments finished at those sites by then: the score, what was found, who had confirmed it, "
    "and what a correction known then says instead.",
    (
        Column("Assessment", 12),
        *PERSON,
        Column("Site", 15, Type.LONG),
        Column("Machine", 9),
        Column("Category", 15, Type.LONG),
        Column("Assessor", 14, Type.LONG),
        Column("Alongside", 11),
        Column("Started", 16, Type.MOMENT),
        Column("Finished", 16, Type.MOMENT),
        Column("Score", 8, Type.SHARE),
        Column("Pass mark", 8, Type.SHARE),
        Column("By the marks", 12, Type.LONG),
        Column("What made it", 50, Type.LONG),
        Column("Found", 12, Type.LONG, marked=("Not yet competent",)),
        Column("Why otherwise than the marks", 16, Type.LONG),
        Column("Confirmed", 11, Type.LONG, marked=("Waiting",)),
        Column("By the assessor at", 16, Type.MOMENT),
        Column("By the operator at", 16, Type.MOMENT),
        Column("Why without the operator", 15, Type.LONG),
        Column("Corrected to", 12, Type.LONG, marked=("Competent", "Not yet competent")),
        Column("Corrected at", 16, Type.MOMENT),
        Column("Why corrected", 18, Type.LONG),
        LONG_KEY,
    ),
    rows.assessments_then,
    rows.assessment_rows,
)

SITTINGS = Sheet(
    "Sittings",
    "assessments.sitting",
    "Question papers and refreshers that those people had finished by then, with the result.",
    (
        Column("Sitting", 12),
        *PERSON,
        Column("Home site", 18, Type.LONG),
        Column("Kind", 15),
        Column("Category", 18, Type.LONG),
        Column("Paper version", 9, Type.WHOLE),
        Column("Started", 16, Type.MOMENT),
        Column("Time up at", 16, Type.MOMENT),
        Column("Finished", 16, Type.MOMENT),
        Column("Right", 8, Type.WHOLE),
        Column("Asked", 8, Type.WHOLE),
        Column("Cut", 8, Type.WHOLE),
        Column("Result", 12, marked=("Not passed",)),
        LONG_KEY,
    ),
    rows.sittings_then,
    rows.sitting_rows,
)
