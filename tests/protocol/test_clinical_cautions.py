"""What an exam ends with: cautions with their numbers, the comparison with the start, and the measures of the glasses.

The cut-offs are design choices of the plan, "common practice, no source"; PD limits are Dodgson's (Proc SPIE
2004;5291), adds Millodot's (Dictionary of Optometry, 2009).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from assistant.grammar import wording
from assistant.optics.lens import Lens
from assistant.protocol import closing, plan
from assistant.protocol.consistency import Answer
from assistant.protocol.exam import Exam
from assistant.protocol.meanings import Meaning
from assistant.protocol.progress import State
from assistant.protocol.questions import Choice, Eye
from assistant.protocol.start import Start, StartEye


def ended(
    right: Lens,
    left: Lens,
    start: Start | None = None,
    right_line: str | None = "20/20",
    left_line: str | None = "20/20",
) -> tuple[State, Start]:
    """A state in which both eyes have been looked at and stand at these lenses, with the lines read through them."""
    start = start or Start()
    state = Exam(start).state
    for eye, lens, line in ((Eye.RIGHT, right, right_line), (Eye.LEFT, left, left_line)):
        progress = state.of(eye)
        seen = replace(progress.state, lens=lens, line=line, line_lens=lens if line else None)
        state = state.put(replace(progress, state=seen, begun=True, finished=True))
    return state, start


def codes(state: State, start: Start) -> set[str]:
    return {flag.code for flag in closing.cautions(state, start)} - {"incomplete"}


def worn(lens: Lens) -> Start:
    return Start(right=StartEye(lens), left=StartEye(Lens(0)), source="glasses")


@pytest.mark.parametrize(
    ("before", "after", "warned"),
    [
        (Lens.of(-1.00), Lens.of(-1.50), False),
        (Lens.of(-1.00), Lens.of(-1.75), True),
        (Lens.of(1.00), Lens.of(0.25), True),
        (Lens.of(-1.00, -0.50, 90), Lens.of(-1.00, -1.00, 90), False),
        (Lens.of(-1.00, -0.50, 90), Lens.of(-1.00, -1.25, 90), True),  # 0.75 D along one meridian
        (Lens.of(0), Lens.of(0), False),
    ],
)
def test_a_change_of_three_quarters_of_a_dioptre_asks_for_getting_used_to(
    before: Lens, after: Lens, warned: bool
) -> None:
    state, start = ended(after, Lens(0), worn(before))
    assert ("adaptation" in codes(state, start)) is warned


@pytest.mark.parametrize(
    ("before", "after", "warned"),
    [
        (Lens.of(-1, -0.75, 90), Lens.of(-1, -0.75, 105), False),
        (Lens.of(-1, -0.75, 90), Lens.of(-1, -0.75, 106), True),
        (Lens.of(-1, -0.75, 175), Lens.of(-1, -0.75, 10), False),  # 15 degrees, across 180
        (Lens.of(-1, -0.75, 172), Lens.of(-1, -0.75, 10), True),
        (Lens.of(-1, -0.50, 90), Lens.of(-1, -0.50, 120), False),
        (Lens.of(-1), Lens.of(-1, -0.75, 120), False),  # there was no axis to turn from
    ],
)
def test_an_axis_that_turned_far_is_told(before: Lens, after: Lens, warned: bool) -> None:
    state, start = ended(after, Lens(0), worn(before))
    assert ("axis_swing" in codes(state, start)) is warned


def test_todays_glasses_are_compared_with_before_the_starting_lens() -> None:
    eye = StartEye(Lens.of(-3.0), glasses=Lens.of(-1.0))
    state, start = ended(Lens.of(-1.25), Lens(0), Start(right=eye, source="autorefraction"))
    assert "adaptation" not in codes(state, start)
    draft = closing.prescription(state, start)
    assert draft.right.change == {"m": -0.25, "j0": 0.0, "j45": 0.0}
    assert draft.left.change is None


def test_a_measurement_far_off_is_not_a_matter_of_getting_used_to() -> None:
    start = Start(right=StartEye(Lens.of(-3.0)), source="autorefraction")
    state, start = ended(Lens.of(-1.0), Lens(0), start)
    said = [wording.flag(flag) for flag in closing.cautions(state, start) if flag.code == "adaptation"]
    assert said and "getting used to" not in said[0] and "look again" in said[0]


def complete(state: State) -> State:
    """Anisometropia is told of eyes that are done: carried over from a start counts as known."""
    for eye in closing.EYES:
        progress = state.of(eye)
        state = state.put(replace(progress, begun=False, state=replace(progress.state, given=True)))
    return state


@pytest.mark.parametrize(
    ("right", "left", "warned"),
    [
        (Lens.of(-1.0), Lens.of(-1.75), False),
        (Lens.of(-1.0), Lens.of(-2.0), True),
        (Lens.of(-1.0), Lens.of(-1.0, -2.0, 90), True),  # spherical equivalents a dioptre apart
        (Lens.of(-1.0, -1.5, 20), Lens.of(-1.0, -1.5, 160), False),  # mirrored cylinders are no difference
    ],
)
def test_eyes_a_dioptre_apart_are_told(right: Lens, left: Lens, warned: bool) -> None:
    state, start = ended(right, left)
    assert ("anisometropia" in codes(complete(state), start)) is warned


def test_an_eye_not_done_says_nothing_of_anisometropia() -> None:
    state, start = ended(Lens.of(-1.0), Lens.of(-4.0))
    assert "anisometropia" not in codes(state, start)  # no pair was answered: neither is complete


@pytest.mark.parametrize(
    ("line", "warned"), [("20/20", False), ("20/40", False), ("20/50", True), ("20/400", True), (None, False)]
)
def test_poor_best_vision_asks_for_a_referral(line: str | None, warned: bool) -> None:
    state, start = ended(Lens(0), Lens(0), right_line=line, left_line=line)
    assert ("acuity_low" in codes(state, start)) is warned


@pytest.mark.parametrize(
    ("right", "left", "worse"),
    [
        ("20/20", "20/20", None),
        ("20/20", "20/30", None),  # 1.8 lines
        ("20/20", "20/32", Eye.LEFT),
        ("20/40", "20/25", Eye.RIGHT),
        ("20/20", "20/32-1", Eye.LEFT),
        ("20/20", None, None),
    ],
)
def test_two_lines_between_the_eyes(right: str, left: str | None, worse: Eye | None) -> None:
    assert closing.lines_differ(right, left) is worse


@pytest.mark.parametrize(("pd", "told"), [(49.5, True), (50, False), (63, False), (75, False), (76, True)])
def test_an_unusual_pd_is_measured_again(pd: float, told: bool) -> None:
    state, start = ended(Lens(0), Lens(0), Start(pd=pd))
    assert ("pd_unusual" in codes(state, start)) is told


@pytest.mark.parametrize(("add", "told"), [(125, True), (150, False), (175, False), (300, True)])
def test_an_add_outside_what_is_published_for_the_age_is_told(add: int, told: bool) -> None:
    state, start = ended(Lens(0), Lens(0), Start(age=52))
    state = replace(state, together=replace(state.together, add=add))
    assert ("add_unusual" in codes(state, start)) is told


def test_what_the_patient_tells_of_stands_among_the_cautions() -> None:
    state, start = ended(Lens(0), Lens(0), Start(red_flags=("flashes", "pain")))
    told = [flag.facts["told"] for flag in closing.cautions(state, start) if flag.code == "red_flag"]
    assert told == ["flashes", "pain"]


def test_an_eye_that_is_not_complete_is_said_to_be_so() -> None:
    state, start = ended(Lens(0), Lens(0))
    assert [flag.eye for flag in closing.cautions(state, start) if flag.code == "incomplete"] == list(closing.EYES)


@pytest.mark.parametrize(
    ("doubt", "told"),
    [("answers_do_not_fit", True), ("position_bias", True), ("no_preference", True), ("lens_open", False)],
)
def test_who_did_not_look_for_one_eye_is_doubted_for_the_other(doubt: str, told: bool) -> None:
    """One person answers for both eyes, and answers by chance now and then fit a lens; an eye left open does not say
    that nobody looked."""
    state, start = ended(Lens.of(-1.0), Lens.of(-2.0))
    pair = Choice(Eye.RIGHT, "settle", Lens.of(-1.0), Lens.of(-2.0))
    state = state.put(replace(state.right, finished=True, answers=(Answer(pair, Meaning.FIRST),)))
    assert "other_eye_doubted" not in codes(state, start)
    state = replace(state, left=replace(state.left, doubts=(doubt,)))
    said = [flag for flag in closing.cautions(state, start) if flag.code == "other_eye_doubted"]
    assert [flag.eye for flag in said] == [Eye.RIGHT] * told
    assert all("left eye" in wording.flag(flag) for flag in said)
    both = replace(state, right=replace(state.right, doubts=(doubt,)))
    assert "other_eye_doubted" not in codes(both, start), "each eye is doubted for itself"


def test_the_near_pd_is_reckoned_only_where_an_add_needs_it() -> None:
    state, start = ended(Lens(0), Lens(0), Start(pd=63, age=52))
    assert closing.prescription(state, start).near_pd is None
    state = replace(state, together=replace(state.together, add=150))
    draft = closing.prescription(state, start)
    # Similar triangles: 63 mm seen from 427 mm, cut 27 mm before the centres of rotation, is 63 * 400 / 427 = 59.02.
    assert (draft.near_pd, draft.near_pd_computed) == (59.0, True)
    measured = closing.prescription(replace(state, room=replace(state.room, near_pd=60.0)), start)
    assert (measured.near_pd, measured.near_pd_computed) == (60.0, False)


def test_the_range_to_be_clear_through_an_add() -> None:
    # +2.50 rests at 40 cm; at 60 half the mean amplitude 18.5 - 0.30 * 60 = 0.5 D (Hofstetter) is 0.25 D: 36 cm.
    assert closing.clear_range(250, 60, 40) == (36, 40)
    # No amplitude is left at 71, and without an add nothing at 40 cm is clear.
    assert closing.clear_range(0, 71, 40) == (40, 600)


def test_every_caution_has_words_with_its_numbers() -> None:
    start = Start(
        right=StartEye(Lens.of(-1.0, -1.0, 90)), left=StartEye(Lens.of(-1.0)), age=52, pd=48, red_flags=("curtain",)
    )
    state, start = ended(Lens.of(-3.0, -1.0, 120), Lens.of(-1.0), start, "20/80", "20/20")
    state = replace(state, together=replace(state.together, add=300, tentative=True))
    flags = closing.cautions(state, start)
    assert {flag.code for flag in flags} >= {
        "incomplete", "acuity_low", "acuity_differs", "adaptation", "axis_swing", "red_flag", "pd_unusual",
        "add_unusual", "add_tentative",
    }  # fmt: skip
    words = {flag.code: wording.flag(flag) for flag in flags}
    assert "20/80" in words["acuity_low"] and "refer" in words["acuity_low"]
    assert "30 degrees" in words["axis_swing"]
    assert "48 mm" in words["pd_unusual"]
    assert "+3.00" in words["add_unusual"] and "+3.00" in words["add_tentative"]
    assert all(text.rstrip().endswith(".") for text in words.values())


def test_every_flag_the_protocol_names_has_words() -> None:
    """A code without a sentence would end an exam with an error, and the draft with it."""
    import ast
    from pathlib import Path

    named = set()
    for path in Path(plan.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Flag":
                first = node.args[0]
                assert isinstance(first, ast.Constant), f"{path.name}: a flag's code is written out"
                named.add(first.value)
    assert named <= set(wording._FLAGS), named - set(wording._FLAGS)
