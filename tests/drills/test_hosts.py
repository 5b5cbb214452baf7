"""Two hosts, each in a network of its own; and that the drill sees what is set up wrongly."""

import subprocess
import sys

import pytest

from tests.drills.rig import HERE, CannotRun, require_able

pytestmark = [pytest.mark.slow, pytest.mark.drill, pytest.mark.xdist_group("hosts")]


@pytest.fixture(scope="module", autouse=True)
def able():
    try:
        require_able()
    except CannotRun as lack:
        pytest.skip(f"SEVERAL HOSTS WERE NOT TRIED: {lack}")


def drill(*asked: str) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", "tests.drills.hosts", *asked],
        cwd=HERE,
        capture_output=True,
        text=True,
        timeout=400,
    )
    return done.returncode, done.stdout + done.stderr


def test_two_hosts_are_one_register_also_while_one_is_cut_off():
    status, said = drill("--short")
    assert status == 0, said
    for step in ("session", "photograph", "throttle", "journal", "cut_off", "everything_verifies"):
        assert f"held  {step} " in said


@pytest.mark.parametrize(
    ("fault", "step", "named"),
    [
        ("journal-key", "ready", "signed with another key"),
        ("throttle", "throttle", "the throttle is not shared"),
        ("folder", "photograph", "read on a"),
    ],
)
def test_the_drill_sees_and_names_what_is_set_up_wrongly(fault, step, named):
    # The journal's keys differ in what is signed, which both hosts must have done.
    status, said = drill(
        "--fault", fault, *(("--only", "journal") if fault == "journal-key" else ()), "--only", step
    )
    assert status == 1, said
    assert f"FAILS {step} " in said
    assert named in said
