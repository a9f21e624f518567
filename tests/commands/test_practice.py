"""`practice`: what a trainee types does what it says, and the verdict is the truth."""

from __future__ import annotations

import io
import sys

import pytest

from assistant.commands.hear import grammars
from assistant.commands.practice import Practice, verdict
from assistant.grammar import listening_for
from assistant.optics.lens import Lens
from assistant.patients.cohort import Cohort, draw_patient
from assistant.patients.eye import Eye
from assistant.patients.patient import patient
from assistant.protocol.questions import Eye as Side

GRAMMAR = grammars().union(*listening_for(None))


def practising(need: Eye) -> Practice:
    return Practice(GRAMMAR, patient("exact", need, Eye.of(0)), Side.RIGHT)


def test_dials_turn_and_turn_back() -> None:
    practice = practising(Eye.of(0))
    assert practice.say("sphere -1.25") == ["dials: -1.25 (axis dial at 180)"]
    assert practice.say("cylinder minus a half") == ["dials: -1.25 -0.50 x 180"]
    assert practice.say("axis 90") == ["dials: -1.25 -0.50 x 090"]
    assert practice.say("undo") == ["dials: -1.25 -0.50 x 180"]
    assert practice.say("read back") == ["dials: -1.25 -0.50 x 180"]
    practice.say("undo")
    practice.say("undo")
    assert practice.say("undo") == ["there is nothing to undo"]
    assert practice.lens == Lens(0)
    assert practice.questions == 0


def test_two_takes_the_second_lens_of_the_pair_and_no_other() -> None:
    practice = practising(Eye.of(-2))
    assert practice.say("two") == ['there is no second lens: ask for one, such as "or sphere -0.50"']
    assert practice.say("or sphere -1") == ["patient: two"]
    assert practice.lens == Lens(0)
    assert practice.say("two") == ["dials: -1.00 (axis dial at 180)"]
    assert practice.say("or sphere -3.25") == ["patient: one"]
    practice.say("cross axis")
    assert practice.say("two")[0].startswith("there is no second lens")
    assert practice.questions == 3


def test_the_cross_cylinder_tells_the_way() -> None:
    """Turn the axis toward the minus mark of the preferred side (common practice)."""
    practice = practising(Eye.of(0, -1.5, 100))
    for line in ("sphere plano", "cylinder -1.50", "axis 90"):
        practice.say(line)
    assert practice.say("cross axis") == ["one: minus mark at 135; two: at 045", "patient: one"]
    practice.say("axis 100")
    assert practice.say("cross axis")[1] == "patient: same"
    practice.say("cylinder -1.00")
    practice.say("sphere -0.25")
    assert practice.say("cross power") == ["one: minus mark at 100; two: at 010", "patient: one"]


def test_letters() -> None:
    practice = practising(Eye.of(-1))
    assert practice.say("read") == ["patient: vision twenty forty"]  # MAR = 1 + b² (Blendowske 2015) at 1.00 D
    assert practice.say("line 20/20") == ["patient: no"]
    assert practice.say("line 6/18") == ["patient: yes"]
    assert practice.say("line 3")[0].startswith("3 is no line; the chart has 20/10, 20/15")


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("sphere -1.30", "the dial has -20.00 to +20.00 in steps of 0.25"),
        ("axis 200", "the dial has 1 to 180"),
        ("or axis 200", "the dial has 1 to 180"),
        ("sphere 1.25", "not understood (powers need their sign)"),
        ("or", "not understood"),
        ("lens please", "not understood"),
        ("pause", "that has no use here"),
        ("help", "  sphere -1.25"),
    ],
)
def test_what_cannot_be_done_says_why_and_changes_nothing(line: str, says: str) -> None:
    practice = practising(Eye.of(0))
    (told,) = practice.say(line)
    assert told.startswith(says)
    assert (practice.lens, practice.questions, practice.over) == (Lens(0), 0, False)


def test_an_empty_line_is_nothing() -> None:
    assert practising(Eye.of(0)).say("  ") == []


def test_the_verdict_is_the_truth() -> None:
    cohort = Cohort("exact", "clinic", 12)
    person, _ = draw_patient(cohort, 0)
    practice = Practice(GRAMMAR, person, Side.LEFT)
    needed = person.left.correction
    told = verdict(practice, cohort)
    assert f"off by    M {-needed.m:+.2f}, J0 {-needed.j0:+.2f}, J45 {-needed.j45:+.2f}" in told[2]
    sphere, cylinder, _ = needed.sphero_cylinder()
    assert told[0].startswith(f"needed    {sphere:+.2f} {cylinder:+.2f} x ")
    assert "questions 0; the assistant asked this patient" in told[3]


def test_at_the_terminal(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    import argparse

    from assistant.commands import practice

    parser = argparse.ArgumentParser()
    practice.add_parser(parser.add_subparsers())

    def sit(lines: str, *words: str) -> str:
        monkeypatch.setattr(sys, "stdin", io.StringIO(lines))
        args = parser.parse_args(["practice", *words])
        assert args.run(args) == 0
        return capsys.readouterr().out

    ended = sit("sphere -1\nfinish\nsphere -9\n", "--seed", "3")
    assert "you have  -1.00" in ended
    assert sit("sphere -1\n", "--seed", "3") == ended  # the end of input finishes as "finish" does
    assert "--seed 3" in ended
    assert "--seed" in sit("")
