"""Whole exams under any order of utterances, and under patients who always answer alike."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sitting import (
    DOUBTFUL,
    MUMBLE,
    OFF_THE_DIAL,
    SILENCE,
    STARTED,
    VALUES,
    Answer,
    by_form,
    flags,
    go_on,
    honest,
    lenses,
    lenses_of,
    on_the_dials,
    place,
    prescription,
    questions,
    said,
    sit,
)

from assistant.evidence.together import weigh
from assistant.grammar import wording
from assistant.optics.lens import Lens
from assistant.protocol.effects import Ask, Effect, Flag, Prescribe, Recorded, Say, ShowLens, StepChange
from assistant.protocol.exam import Exam
from assistant.protocol.instrument import CylinderSign, Instrument
from assistant.protocol.meanings import Heard, Meaning, Speaker
from assistant.protocol.questions import AcuityQuestion, Choice, Confirm, Eye, Legible, Question, Value
from assistant.protocol.start import Manner, Road, Start, StartEye, When

MOST_QUESTIONS = 80  # an eye, whatever is answered
unhurried = settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])

# ------------------------------------------------------------------------------------------- any utterances
LINES = ("20/15", "20/20", "20/25-2", "20/40", "20/70", "20/200", "20/800")
BY = st.sampled_from((None, Speaker.PATIENT, Speaker.PATIENT, Speaker.EXAMINER))
answers = st.builds(
    said,
    st.sampled_from(
        (Meaning.FIRST, Meaning.SECOND, Meaning.SECOND, Meaning.SAME, Meaning.UNSURE, Meaning.YES, Meaning.NO)
    ),
    by=BY,
    hedged=st.booleans(),
)
read = st.builds(said, st.just(Meaning.SET_ACUITY), st.sampled_from(LINES))
dials = st.one_of(
    st.builds(said, st.just(Meaning.SET_SPHERE), st.integers(-80, 80).map(lambda clicks: clicks * 25)),
    st.builds(said, st.just(Meaning.SET_CYLINDER), st.integers(-32, 0).map(lambda clicks: clicks * 25)),
    st.builds(said, st.just(Meaning.SET_AXIS), st.integers(1, 180)),
)
values = st.one_of(
    st.builds(said, st.just(Meaning.SET_PD), st.sampled_from((58, 61.5, 66.0))),
    st.builds(said, st.just(Meaning.SET_AGE), st.sampled_from((8, 33, 47, 71))),
    st.builds(said, st.just(Meaning.SET_ADD), st.sampled_from((0, 100, 225))),
    st.builds(said, st.just(Meaning.NOTE), st.sampled_from(("", "tired", "drops at nine"))),
)
COMMANDS = (
    "undo repeat read_back next confirm skip pause resume switch_eye finish why again question near balance "
    "duochrome transpose refine recheck"
)
commands = st.builds(
    said,
    st.sampled_from([meaning for meaning in Meaning if meaning.value in COMMANDS.split()]),
    by=st.sampled_from((None, Speaker.EXAMINER)),
)
anything = st.builds(
    lambda meaning, by: said(meaning, VALUES.get(meaning.value), by=by), st.sampled_from(list(Meaning)), by=BY
)
noise = st.sampled_from((SILENCE, MUMBLE, DOUBTFUL, OFF_THE_DIAL))
utterances = st.one_of(answers, answers, answers, answers, read, read, dials, values, commands, anything, noise)
many = st.lists(utterances, max_size=120)

STARTS = (
    Start(),
    STARTED,
    Start(StartEye(Lens(2000, -50, 90), "20/60"), StartEye(Lens(-2000, -800, 1)), age=33),
    Start(StartEye(Lens(1975)), StartEye(Lens(-1950, -25, 180), "20/20-1"), pd=70),
)
PLUS_HEAD = Instrument(CylinderSign.PLUS)
MANNERS = (
    Start(age=52, pd=61, vertex=12, manner=Manner(balance=True, duochrome=True, intake=True, near=When.ON)),
    Start(
        StartEye(Lens(-225, -100, 40), "20/30"),
        StartEye(Lens(50, -75, 135), "20/40", glasses=Lens(25)),
        age=68,
        manner=Manner(instrument=PLUS_HEAD, power_by="cross", balance=True),
    ),
    Start(StartEye(Lens(-225)), StartEye(Lens(50)), age=47, manner=Manner(road=Road.NEAR)),
    Start(
        StartEye(Lens(-225, -50, 10)), StartEye(Lens(50)), age=60, manner=Manner(road=Road.RECHECK, eyes=(Eye.LEFT,))
    ),
)
starts = st.sampled_from((*STARTS, *MANNERS))


def reads_well(effects: tuple[Effect, ...]) -> None:
    """Every word the assistant has to say can be said."""
    for effect in effects:
        words = wording.words(effect)
        if isinstance(effect, (Say, Ask, Flag)):
            assert words.strip()
            assert "None" not in words
        if isinstance(effect, Ask):
            assert wording.expects(effect)
            wording.patient_question(effect)


@unhurried
@given(starts, many)
def test_any_utterances_in_any_order(start: Start, told: list[Heard]) -> None:
    exam = Exam(start)
    everything = [*exam.begin()]
    reads_well(exam_effects := tuple(everything))
    assert exam.question is not None
    assert len(questions(exam_effects)) == 1
    for heard in told:
        over, paused = exam.over, exam.state.paused
        effects = exam.hear(heard)
        reads_well(effects)
        everything += effects
        # heard, and recorded first and once
        first = effects[0]
        assert isinstance(first, Recorded)
        assert first.heard == heard
        assert len([effect for effect in effects if isinstance(effect, Recorded)]) == 1
        # one question at a time, and always one that stands
        asked = questions(effects)
        assert len(asked) <= 1
        if asked:
            assert asked[0].question == exam.question
        assert (exam.question is None) == exam.over
        if over:
            assert len(effects) == 1
            assert not first.used
        if paused and exam.state.paused:
            assert not asked
        # no lens a refractor head cannot show
        assert all(on_the_dials(lens, exam.instrument) for effect in effects for lens in lenses(effect))
    everything += exam.close()
    assert exam.over
    draft = prescription(everything)
    assert [effect for effect in everything if not isinstance(effect, (StepChange, Recorded))][-1] == draft


@unhurried
@given(starts, many)
def test_undo_any_number_of_times_goes_back_the_way_it_came(start: Start, told: list[Heard]) -> None:
    exam = Exam(start)
    exam.begin()
    been = [place(exam.state)]
    for heard in told:
        if heard.meaning in (Meaning.UNDO, Meaning.PAUSE, Meaning.RESUME):
            continue
        exam.hear(heard)
        if exam.over:
            return
        been.append(place(exam.state))
    for _ in range(len(told) + 1):
        effects = exam.hear(said(Meaning.UNDO))
        now = place(exam.state)
        while been and been[-1] != now:
            been.pop()
        assert been, "undo came to a place where the exam never stood"
        if any(isinstance(effect, Say) and effect.key == "nothing_to_undo" for effect in effects):
            break
    else:
        raise AssertionError("undo never came to the beginning")
    assert now == been[0]


@unhurried
@given(starts, st.lists(utterances.filter(lambda heard: heard.meaning is not Meaning.UNDO), max_size=100))
def test_what_was_put_on_record_stands_in_the_draft(start: Start, told: list[Heard]) -> None:
    """Nothing recorded is lost: the last PD, add and notes are there at the end."""
    exam = Exam(start)
    effects = [*exam.begin()]
    for heard in told:
        effects += exam.hear(heard)
    effects += exam.close()
    recorded = [effect for effect in effects if isinstance(effect, Recorded)]
    assert [effect.heard for effect in recorded] == told
    draft = prescription(effects)
    used = [effect.heard for effect in recorded if effect.used]
    pds = [heard.value for heard in used if heard.meaning is Meaning.SET_PD]
    assert draft.pd == (pds[-1] if pds else start.pd)


@unhurried
@given(starts, many)
def test_the_spherical_equivalent_holds_while_the_cylinder_moves(start: Start, told: list[Heard]) -> None:
    """Half of every change of cylinder goes into the sphere (common practice, no source)."""
    exam = Exam(start)
    exam.begin()
    for heard in told:
        asked, eye = exam.question, exam.state.eye
        lens = exam.state.of(eye).state.lens
        effects = exam.hear(heard)
        first = effects[0]
        assert isinstance(first, Recorded)
        if (
            first.used
            and isinstance(asked, Choice)
            and asked.step in ("power", "power_again", "axis", "axis_again")
            and heard.meaning in (Meaning.FIRST, Meaning.SECOND, Meaning.SAME, Meaning.UNSURE)
        ):
            shown = [effect.lens for effect in effects if isinstance(effect, ShowLens) and effect.eye is eye]
            for after in shown[:1]:
                assert abs(after.spherical_equivalent - lens.spherical_equivalent) <= 0.125
        if exam.over:
            break


# ---------------------------------------------------------------------------------------- patients of one answer
def by_chance(seed: int) -> Answer:
    chance = Random(seed)

    def answer(question: Question) -> Heard:
        if isinstance(question, Choice):
            return said(chance.choice((Meaning.FIRST, Meaning.SECOND, Meaning.SAME, Meaning.UNSURE)))
        if isinstance(question, Legible):
            return said(chance.choice((Meaning.YES, Meaning.NO)))
        if isinstance(question, AcuityQuestion):
            return said(Meaning.SET_ACUITY, chance.choice(LINES))
        return by_form()(question)

    return answer


def silent(question: Question) -> Heard:
    return said(Meaning.CONFIRM, by=Speaker.EXAMINER) if isinstance(question, Confirm) else SILENCE


def in_turn() -> Answer:
    """One, two, one, two ... whatever is shown."""
    turns = iter([Meaning.FIRST, Meaning.SECOND] * 200)

    def answer(question: Question) -> Heard:
        return said(next(turns)) if isinstance(question, Choice) else by_form(legible=Meaning.YES)(question)

    return answer


def never_sure(question: Question) -> Heard:
    return said(Meaning.CONFIRM) if isinstance(question, Confirm) else DOUBTFUL


def sees_again(question: Question) -> Heard:
    return said(Meaning.CONFIRM) if isinstance(question, Confirm) else said(Meaning.AGAIN, by=Speaker.PATIENT)


def alike() -> Iterator[tuple[str, Answer]]:
    for choice in (Meaning.FIRST, Meaning.SECOND, Meaning.SAME, Meaning.UNSURE):
        for legible in (Meaning.YES, Meaning.NO):
            for acuity in ("20/20", "20/60", "20/200", Meaning.NO, Meaning.UNSURE):
                yield f"{choice}-{legible}-{acuity}", by_form(choice, legible, acuity)
    for seed in range(12):
        yield f"chance-{seed}", by_chance(seed)
    yield "silent", silent
    yield "in-turn", in_turn()
    yield "never-sure", never_sure
    yield "again", sees_again


ALIKE = dict(alike())


@pytest.mark.parametrize("start", STARTS, ids=["none", "glasses", "ends", "high"])
@pytest.mark.parametrize("who", ALIKE)
def test_any_pattern_of_answers_ends_in_a_bounded_number_of_questions(who: str, start: Start) -> None:
    exam = Exam(start)
    effects = sit(exam, dict(alike())[who])
    counts = Counter(ask.question.eye for ask in questions(effects))
    assert counts[Eye.RIGHT] <= MOST_QUESTIONS
    assert counts[Eye.LEFT] <= MOST_QUESTIONS
    assert all(on_the_dials(lens) for effect in effects for lens in lenses(effect))
    draft = prescription(effects)
    assert draft.confirmed


@pytest.mark.parametrize(
    "meaning",
    [
        Meaning.FIRST,
        Meaning.SECOND,
        Meaning.SAME,
        Meaning.UNSURE,
        Meaning.YES,
        Meaning.NO,
        Meaning.AGAIN,
        Meaning.SKIP,
        Meaning.NEXT,
        None,
    ],
    ids=str,
)
@pytest.mark.parametrize("start", STARTS[:2], ids=["none", "glasses"])
def test_one_word_for_ever_ends_the_exam(meaning: Meaning | None, start: Start) -> None:
    """To every question there is, the read-back too; or silence. What nobody answered is not called complete."""
    exam = Exam(start)
    effects = sit(exam, lambda question: SILENCE if meaning is None else said(meaning))
    counts = Counter(ask.question.eye for ask in questions(effects))
    assert max(counts.values()) <= MOST_QUESTIONS
    draft = prescription(effects)
    assert not draft.right.complete
    assert not draft.left.complete
    if meaning is not Meaning.YES:  # which confirms
        assert not draft.confirmed


NONSENSE = ("second-", "same-yes", "unsure-yes", "unsure-no-unsure", "silent", "in-turn", "never-sure", "again")


@pytest.mark.parametrize("who", [who for who in ALIKE if who.startswith(NONSENSE)])
def test_answers_that_do_not_fit_are_a_caution_for_each_eye(who: str) -> None:
    """A value nobody can be sure of is never recorded as certain.

    One who answers in turn near the focus gives no lens away that is far off: a caution has to do.
    """
    effects = sit(Exam(), dict(alike())[who])
    draft = prescription(effects)
    for eye, result in ((Eye.RIGHT, draft.right), (Eye.LEFT, draft.left)):
        assert flags(effects, eye), eye
        assert not result.complete or who == "in-turn", (eye, result)


def test_silence_moves_no_lens_and_takes_no_answer() -> None:
    effects = sit(Exam(STARTED), silent)
    draft = prescription(effects)
    assert STARTED.right.lens is not None
    assert (draft.right.sphere, draft.right.cylinder) == (STARTED.right.lens.sphere, STARTED.right.lens.cylinder)
    shown = {(effect.eye, effect.lens) for effect in effects if isinstance(effect, ShowLens)}
    assert shown == {(Eye.RIGHT, STARTED.right.lens), (Eye.LEFT, STARTED.left.lens)}
    assert "no_answer" in flags(effects, Eye.RIGHT)
    assert "no_answer" in flags(effects, Eye.LEFT)


def test_one_and_two_exchanged_is_another_prescription() -> None:
    """The answers decide: the same patient with the two words exchanged ends elsewhere."""
    exchanged = {Meaning.FIRST: Meaning.SECOND, Meaning.SECOND: Meaning.FIRST}

    def turned(question: Question) -> Heard:
        told = honest()(question)
        assert told.meaning is not None
        return said(exchanged.get(told.meaning, told.meaning), told.value)

    right = prescription(sit(Exam(), honest()))
    effects = sit(Exam(), turned)
    wrong = prescription(effects)
    for eye in (Eye.RIGHT, Eye.LEFT):
        true, false = (draft.right if eye is Eye.RIGHT else draft.left for draft in (right, wrong))
        assert (true.sphere, true.cylinder, true.axis) != (false.sphere, false.cylinder, false.axis)
        assert true.complete
        assert flags(effects, eye)


# ------------------------------------------------------------------------------------- what the examiner is told
class Dials:
    """An examiner who turns what is said and nothing else; what then stands before each eye, a cross cylinder (before
    one of them at a time) and a pinhole among it."""

    def __init__(self, start: Start) -> None:
        self._on = {eye: start.eye(eye).lens or Lens(0) for eye in (Eye.RIGHT, Eye.LEFT)}
        self._one: Choice | None = None
        self._cross: Eye | None = None
        self._pinhole = False
        self._said = ""

    def turned(self, eye: Eye, lens: Lens) -> None:
        """Somebody else turned them."""
        self._on[eye] = lens

    def take(self, effects: Iterable[Effect]) -> None:
        for effect in effects:
            if isinstance(effect, Recorded):
                self._said = ""
            elif isinstance(effect, Say):
                self._say(effect)
            elif isinstance(effect, Ask):
                self._aids(effect)
                if effect.question.eye is not Eye.BOTH and lenses_of(effect.question):
                    self._ask(effect)

    def _aids(self, ask: Ask) -> None:
        """What is held before an eye for one question is not left there for the next."""
        question, lenses = ask.question, lenses_of(ask.question)
        told = f"{self._said} {wording.question(ask).lower()}"
        if "cross cylinder away" in told:
            self._cross = None
        if self._pinhole and question.step != "pinhole":
            assert "pinhole out" in told, told
        self._pinhole = question.step == "pinhole"
        crossed = bool(lenses) and lenses[0].cross is not None
        assert crossed or self._cross is None, told
        if crossed:
            assert self._cross is question.eye or "cross cylinder" in told, told
            self._cross = question.eye

    def _say(self, say: Say) -> None:
        self._said += " " + wording.words(say).lower()
        lens, eye = say.facts.get("lens"), say.facts.get("eye")
        if isinstance(lens, Lens) and isinstance(eye, Eye) and say.key != "read_back_eye":
            # read in full; no cylinder is left off (writing of prescriptions, NFOS OPT11 9a)
            everything_else = Lens(lens.sphere + 25, lens.cylinder, lens.axis % 180 + 1)
            assert not names(self._said, lens, everything_else)
            self._turn(eye, lens)

    def _turn(self, eye: Eye, lens: Lens) -> None:
        """An axis is told with a cylinder or a cross cylinder only; without, it stays."""
        axis = lens.axis if lens.cylinder or lens.cross is not None else self._on[eye].axis
        self._on[eye] = lens.with_cross(None).with_axis(axis)

    def _ask(self, ask: Ask) -> None:
        question, eye = ask.question, ask.question.eye
        if question.step in ("duochrome", "unaided"):
            return
        first, last = lenses_of(question)[0], lenses_of(question)[-1]
        told = f"{self._said} {wording.question(ask).lower()}"
        if not ask.attempt:
            back = self._one is not None and self._one.first == first and "back to one" in told
            assert back or not names(told, first, self._on[eye]), (told, first, self._on[eye])
            if first.cross is None:
                assert not names(told, last, first), (told, last)
            else:
                assert "flip" in told
        self._turn(eye, first)
        self._turn(eye, last)
        self._one = question if isinstance(question, Choice) else None


def names(words: str, lens: Lens, shown: Lens) -> list[str]:
    """Dials of `lens` that differ from what is shown and are not named in the words."""
    missing = []
    if lens.sphere != shown.sphere and wording.power(lens.sphere) not in words:
        missing.append("sphere")
    if lens.cylinder != shown.cylinder and wording.power(lens.cylinder) not in words:
        missing.append("cylinder")
    if lens.cylinder and lens.axis != shown.axis and wording.axis(lens.axis) not in words:
        missing.append("axis")
    return missing


@pytest.mark.parametrize("start", STARTS[:2], ids=["none", "glasses"])
@pytest.mark.parametrize("who", ["honest", *(who for who in ALIKE if not who.startswith("again"))])
def test_the_prompts_bring_the_dials_to_the_lenses_asked_about(who: str, start: Start) -> None:
    """Whoever turns only what is said has the lens that is asked about before the patient."""
    dials = Dials(start)
    dials.take(sit(Exam(start), honest() if who == "honest" else dict(alike())[who]))


@pytest.mark.parametrize("who", ["honest", *(f"chance-{seed}" for seed in range(6))])
def test_the_prompts_bring_the_dials_there_where_all_answers_are_weighed(who: str) -> None:
    dials = Dials(Start())
    dials.take(sit(Exam(Start(), weigh), honest() if who == "honest" else dict(alike())[who]))


@pytest.mark.parametrize("start", [Start(age=60, pd=62, manner=Manner(balance=True)), STARTED], ids=["none", "started"])
def test_whoever_comes_in_is_told_all_that_is_before_the_eye(start: Start) -> None:
    """After a break nothing on the dials can be relied on: the lens asked about is told whole, by the eye's own lens
    and the turn from it."""
    exam, answer = Exam(start, weigh), honest()
    exam.begin()
    while exam.question is not None:
        newcomer = Dials(start)
        for eye in (Eye.RIGHT, Eye.LEFT):
            newcomer.turned(eye, Lens(1975, -775, 77))
        newcomer.take(exam.again())
        newcomer.take(exam.hear(answer(exam.question)))


@unhurried
@given(starts, st.lists(st.one_of(answers, answers, read, dials, commands), max_size=80))
def test_the_prompts_bring_the_dials_there_whatever_is_commanded(start: Start, told: list[Heard]) -> None:
    examiner, exam = Dials(start), Exam(start)
    examiner.take(exam.begin())
    for heard in told:
        examiner.take(exam.hear(heard))


def test_values_can_always_be_skipped_and_the_read_back_confirmed() -> None:
    for start in STARTS:
        exam = Exam(start)
        effects = sit(exam, honest())
        assert prescription(effects).confirmed
    exam = Exam()
    exam.begin()
    while isinstance(exam.question, Value):
        assert exam.hear(said(Meaning.SKIP, by=Speaker.PATIENT))[0] == Recorded(
            said(Meaning.SKIP, by=Speaker.PATIENT), used=True
        )


@pytest.mark.parametrize("after", range(0, 70, 7))
def test_the_end_of_input_anywhere_leaves_one_draft(after: int) -> None:
    exam = Exam()
    effects = [*exam.begin()]
    for _ in range(after):
        if isinstance(exam.question, Confirm):
            break
        assert exam.question is not None
        effects += exam.hear(honest()(exam.question))
    effects += exam.close()
    assert isinstance(effects[-1], Prescribe)
    assert not prescription(effects).confirmed
    assert go_on(exam, honest()) == []
