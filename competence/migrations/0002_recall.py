from decimal import Decimal

import django.core.validators
from django.db import migrations, models

KINDS = [
    ("practical", "Practical assessment"),
    ("paper", "Question paper"),
    ("training_hours", "Training hours"),
    ("supervised_hours", "Supervised hours"),
    ("medical", "Medical"),
    ("induction", "Site induction"),
    ("familiarisation", "Familiarisation"),
    ("refresher", "Refresher"),
    ("recall", "Refresher questions"),
]


class Migration(migrations.Migration):
    """Refresher questions as a kind of requirement, with the recall that a standard needs."""

    dependencies = [("competence", "0001_first")]

    operations = [
        migrations.RemoveConstraint(model_name="evidence", name="assessment_evidence_names_its_category"),
        migrations.AddField(
            model_name="requirement",
            name="recall_level",
            field=models.DecimalField(
                blank=True,
                decimal_places=3,
                max_digits=4,
                null=True,
                validators=[
                    django.core.validators.MinValueValidator(Decimal("0.5")),
                    django.core.validators.MaxValueValidator(Decimal("0.95")),
                ],
                verbose_name="recall needed",
            ),
        ),
        migrations.AlterField(
            model_name="evidence", name="kind", field=models.CharField(choices=KINDS, max_length=16)
        ),
        migrations.AlterField(
            model_name="requirement", name="kind", field=models.CharField(choices=KINDS, max_length=16)
        ),
        migrations.AddConstraint(
            model_name="evidence",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("kind__in", ["practical", "paper", "recall"]), _negated=True),
                    ("category__isnull", False),
                    _connector="OR",
                ),
                name="assessment_evidence_names_its_category",
                violation_error_message="An assessment, a paper and refresher questions name the category.",
            ),
        ),
        migrations.AddConstraint(
            model_name="evidence",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("kind", "recall"), _negated=True),
                    ("is_met", False),
                    ("counts_to__isnull", False),
                    _connector="OR",
                ),
                name="recall_evidence_states_its_last_day",
                violation_error_message="Refresher questions say to which day what is known will last.",
            ),
        ),
        migrations.AddConstraint(
            model_name="requirement",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(
                        ("kind", "recall"),
                        ("recall_level__gte", Decimal("0.5")),
                        ("recall_level__isnull", False),
                        ("recall_level__lte", Decimal("0.95")),
                    ),
                    models.Q(
                        models.Q(("kind", "recall"), _negated=True),
                        ("recall_level__isnull", True),
                    ),
                    _connector="OR",
                ),
                name="recall_requirement_states_its_level",
                violation_error_message="Refresher questions, and nothing else, state the recall needed: from 50 to 95 per cent.",
            ),
        ),
    ]
