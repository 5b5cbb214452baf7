"""Severities against statsmodels' binomial regression, and against scipy's general minimiser."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.optimize import minimize

from assessments.rules.severity import DEFAULT_PRIORS, NORMAL_95, Priors, assessor_severities

ASSESSORS, OPERATORS, POINTS = 5, 12, 10
LABELS = [f"Assessor {number}" for number in range(ASSESSORS)]


@pytest.fixture(scope="module")
def columns():
    """Two thirds of every meeting of an assessor, an operator and a point, some of them twice."""
    rng = np.random.default_rng(20)
    assessor, operator, point = (
        column.ravel() for column in np.indices((ASSESSORS, OPERATORS, POINTS), dtype=np.intp)
    )
    kept = np.concatenate((rng.permutation(assessor.size)[:400], rng.permutation(assessor.size)[:100]))
    assessor, operator, point = assessor[kept], operator[kept], point[kept]
    severity, ability = rng.normal(0, 0.6, ASSESSORS), rng.normal(0, 0.8, OPERATORS)
    logits = 0.5 + ability[operator] - rng.normal(0, 0.8, POINTS)[point] - severity[assessor]
    return assessor, operator, point, rng.binomial(2, 1 / (1 + np.exp(-logits)))


def ones(codes, size):
    return (codes[:, None] == np.arange(size)).astype(float)


def centring(assessor):
    return np.eye(ASSESSORS) - np.bincount(assessor, minlength=ASSESSORS) / assessor.size


def test_statsmodels_finds_the_same_severities_and_standard_errors(columns):
    assessor, operator, point, mark = columns
    design = np.column_stack(
        (
            np.ones(mark.size),
            ones(operator, OPERATORS)[:, 1:],
            -ones(point, POINTS)[:, 1:],
            -ones(assessor, ASSESSORS)[:, 1:],
        )
    )
    theirs = sm.GLM(np.column_stack((mark, 2 - mark)), design, family=sm.families.Binomial()).fit(tol=1e-12)
    contrast = centring(assessor)[:, 1:]
    severity = contrast @ theirs.params[-ASSESSORS + 1 :]
    covariance = contrast @ theirs.cov_params()[-ASSESSORS + 1 :, -ASSESSORS + 1 :] @ contrast.T

    free = Priors(base=1e4, ability=1e4, difficulty=1e4, severity=1e4)
    ours = assessor_severities(*columns, labels=LABELS, priors=free)
    assert [each.logits for each in ours] == pytest.approx(severity, abs=1e-4)

    # Scatter of the marks against that of two tries, from their fitted chances.
    chance = theirs.fittedvalues
    scatter = np.sum((mark - 2 * chance) ** 2) / np.sum(2 * chance * (1 - chance))
    widening = max(1, scatter * mark.size / theirs.df_resid)
    reach = NORMAL_95 * np.sqrt(np.diag(covariance) * widening)
    assert [each.high - each.logits for each in ours] == pytest.approx(reach, abs=1e-4)
    assert [each.logits - each.low for each in ours] == pytest.approx(reach, abs=1e-4)


@pytest.mark.parametrize(
    "priors", [DEFAULT_PRIORS, Priors(base=3, ability=0.7, difficulty=1.2, severity=0.4)]
)
def test_a_general_minimiser_finds_the_same_severities(columns, priors):
    assessor, operator, point, mark = columns
    every = np.column_stack(
        (
            np.ones(mark.size),
            ones(operator, OPERATORS),
            -ones(point, POINTS),
            -ones(assessor, ASSESSORS),
        )
    )
    penalty = np.repeat(
        [priors.base**-2, priors.ability**-2, priors.difficulty**-2, priors.severity**-2],
        [1, OPERATORS, POINTS, ASSESSORS],
    )

    def loss(at):
        logits = every @ at
        return 2 * np.logaddexp(0, logits).sum() - mark @ logits + penalty @ at**2 / 2

    def slope(at):
        return every.T @ (2 / (1 + np.exp(-(every @ at))) - mark) + penalty * at

    found = minimize(
        loss, np.zeros(every.shape[1]), jac=slope, method="BFGS", options={"gtol": 1e-7, "maxiter": 5000}
    )
    assert np.abs(slope(found.x)).max() < 1e-4
    severity = centring(assessor) @ found.x[-ASSESSORS:]
    ours = assessor_severities(*columns, labels=LABELS, priors=priors)
    assert [each.logits for each in ours] == pytest.approx(severity, abs=1e-4)
