"""How virtual patients answer: their psychometric function, their habits, and that a seed is a patient."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace
from random import Random

import pytest

from assistant.optics.lens import Lens
from assistant.patients.eye import Eye
from assistant.patients.patient import (
    EXACT,
    HOSTILE,
    KINDS,
    TYPICAL,
    Reply,
    Traits,
    VirtualPatient,
    kind,
    patient,
    spoken_line,
)
from assistant.protocol.meanings import CHOICE_ANSWERS, LEGIBLE_ANSWERS, Meaning, Outcome, Speaker
from assistant.protocol.questions import AcuityQuestion, Choice, Confirm, Legible, Question, Value
from assistant.protocol.questions import Eye as Side

MANY = 4000
PURE = Traits(same_zone=0, weber=0, lapse=0, again=0, off_topic=0, fatigue=0, minus_liking=0, cylinder_liking=0)


def choice(first: float, second: float) -> Choice:
    return Choice(Side.RIGHT, "sphere", Lens.of(first), Lens.of(second))


def share(traits: Traits, question: Question, meaning: Meaning, eye: Eye | None = None, seed: int = 1) -> float:
    """How often a patient who never tires gives this answer."""
    person = VirtualPatient(eye or Eye.of(0), Eye.of(0), replace(traits, fatigue=0), seed)
    return sum(person.reply(question).meaning is meaning for _ in range(MANY)) / MANY


def three_sigma(expected: float) -> float:
    return 3 * math.sqrt(expected * (1 - expected) / MANY)


QUESTIONS: list[Question] = [
    choice(0, -0.25),
    choice(-4, 2),
    Legible(Side.LEFT, "plus", Lens.of(0.5), "20/20"),
    AcuityQuestion(Side.RIGHT, "acuity", Lens.of(0)),
    AcuityQuestion(Side.BOTH, "acuity", Lens.of(8)),
]


class TestChoosing:
    @pytest.mark.parametrize("differences", [0.5, 1.0, 2.0])
    def test_follows_the_normal_psychometric_function(self, differences: float) -> None:
        """One just-told difference is told right with probability Phi(1) = 0.841: the definition of the
        threshold."""
        lens = Lens(0)
        eye = Eye.of(0, pupil_mm=4)
        # 0.06 D, between the 0.05 and 0.07 of Optom Vis Sci 1989;66:545-553
        ask = Choice(Side.RIGHT, "sphere", lens, Lens(round(PURE.threshold * differences * 100)))
        expected = 0.5 * (1 + math.erf(differences / math.sqrt(2)))
        assert share(PURE, ask, Meaning.FIRST, eye) == pytest.approx(expected, abs=three_sigma(expected))

    def test_a_noticeable_difference_is_noticed(self) -> None:
        """0.28-0.33 D is noticeable (Vision Res 2005;45:1967-1974): a sure answer, not "same"."""
        assert share(replace(TYPICAL, lapse=0, again=0, off_topic=0), choice(0, 0.31), Meaning.FIRST) > 0.95

    def test_what_cannot_be_told_is_same(self) -> None:
        """A tenth of the 0.05 D told near the limit of acuity."""
        steady = replace(TYPICAL, same_zone=0.12, lapse=0, again=0, off_topic=0)
        assert share(steady, Choice(Side.RIGHT, "s", Lens(0), Lens(0)), Meaning.SAME) > 0.9

    def test_blur_blunts_the_eye(self) -> None:
        """The just-told difference grows with blur, so the same quarter dioptre is "same" more often far from
        focus."""
        traits = replace(PURE, same_zone=0.08, weber=0.2)
        near, far = (
            share(traits, choice(0.25, 0.5), Meaning.SAME),
            share(traits, choice(2.75, 3.0), Meaning.SAME),
        )
        assert far > near + 0.2

    def test_lapses_are_as_frequent_as_stated(self) -> None:
        """A lapse is one of three answers: two thirds of lapses differ from the plainly right one."""
        traits = replace(PURE, lapse=0.15)
        assert 1 - share(traits, choice(0, 4), Meaning.FIRST) == pytest.approx(0.10, abs=three_sigma(0.10))

    def test_position_bias_leans_towards_two(self) -> None:
        even = choice(0.5, 0.5)
        assert share(replace(PURE, position_bias=1.0), even, Meaning.SECOND) == pytest.approx(0.841, abs=0.02)
        assert share(replace(PURE, position_bias=-1.0), even, Meaning.SECOND) == pytest.approx(0.159, abs=0.02)

    def test_a_young_eye_takes_minus_it_does_not_need_and_an_old_one_does_not(self) -> None:
        """A young eye will accept too much minus because it can focus through it (common practice)."""
        young, old = Eye.of(0, age=18), Eye.of(0, age=75)
        traits = replace(KINDS["young"].traits, lapse=0, again=0, off_topic=0)
        minus_wins = share(traits, choice(-0.5, -1.5), Meaning.SECOND, young)
        plus_wins = share(traits, choice(-0.5, -1.5), Meaning.FIRST, young)
        assert minus_wins > 5 * plus_wins
        assert share(traits, choice(0, -1.0), Meaning.SECOND, old) == 0

    def test_more_cylinder_is_liked(self) -> None:
        """Patients tend to take more cylinder than they need (common practice)."""
        eye = Eye.of(0, -1, 90)
        equally_far = Choice(Side.RIGHT, "s", Lens.of(-0.125 + 0.005, -0.75, 90), Lens.of(0.125 - 0.005, -1.25, 90))
        liking = replace(PURE, cylinder_liking=0.1)
        assert share(PURE, equally_far, Meaning.SECOND, eye) == pytest.approx(0.5, abs=0.03)
        assert share(liking, equally_far, Meaning.SECOND, eye) > 0.6

    def test_hesitates_near_the_threshold_and_answers_at_once_far_from_it(self) -> None:
        person = VirtualPatient(Eye.of(0), Eye.of(0), TYPICAL, 5)
        near = [person.reply(choice(0, 0.15)) for _ in range(500)]
        far = [person.reply(choice(0, 2)) for _ in range(500)]
        assert sum(r.hedged for r in near) > 10 * sum(r.hedged for r in far)
        assert sorted(r.seconds for r in near)[250] > 1.3 * sorted(r.seconds for r in far)[250]

    def test_tires(self) -> None:
        person = VirtualPatient(Eye.of(0), Eye.of(0), replace(PURE, lapse=0.03, fatigue=1.0), 3)
        wrong = [person.reply(choice(0, 4)).meaning is not Meaning.FIRST for _ in range(1000)]
        assert sum(wrong[800:]) > 3 * sum(wrong[:200])


class TestReading:
    def test_exact_patient_loses_the_line_at_the_third_click(self) -> None:
        """Common practice, no source: a correct sphere takes three clicks of plus."""
        person = patient("exact", Eye.of(-2), Eye.of(0))
        answers = [
            person.reply(Legible(Side.RIGHT, "plus", Lens.of(-2 + clicks * 0.25), "20/20")).meaning
            for clicks in range(5)
        ]
        assert answers == [Meaning.YES] * 3 + [Meaning.NO] * 2

    def test_exact_patient_reads_what_its_acuity_says(self) -> None:
        person = patient("exact", Eye.of(0), Eye.of(0, best_logmar=0.5))
        for blur, line in [(0, "20/20"), (1.0, "20/40"), (2.0, "20/100"), (3.0, "20/200")]:  # MAR = 1 + b²
            assert person.reply(AcuityQuestion(Side.RIGHT, "a", Lens.of(blur))).value == line
        assert person.reply(AcuityQuestion(Side.LEFT, "a", Lens.of(0))).value == "20/60"
        assert person.reply(AcuityQuestion(Side.BOTH, "a", Lens.of(0))).value == "20/20"

    def test_says_so_when_no_line_can_be_read(self) -> None:
        reply = patient("typical", Eye.of(-8), Eye.of(0)).reply(AcuityQuestion(Side.RIGHT, "a", Lens.of(0)))
        assert reply.meaning is Meaning.NO

    def test_readings_scatter_by_letter_noise(self) -> None:
        person = VirtualPatient(Eye.of(0), Eye.of(0), replace(PURE, letter_noise=0.08), 2)
        lines = Counter(person.reply(AcuityQuestion(Side.RIGHT, "a", Lens.of(0.5))).value for _ in range(500))
        assert len(lines) >= 3

    @pytest.mark.parametrize(
        ("line", "words"),
        [
            ("20/20", "twenty twenty"),
            ("20/25", "twenty twenty five"),
            ("20/100", "twenty one hundred"),
            ("20/15", "twenty fifteen"),
            ("20/250", "twenty two hundred fifty"),
        ],
    )
    def test_lines_are_said_in_words(self, line: str, words: str) -> None:
        assert spoken_line(line) == words


@pytest.mark.parametrize("name", sorted(KINDS))
class TestEveryKind:
    def test_same_seed_same_answers(self, name: str) -> None:
        def sit(seed: int) -> list[Reply]:
            person = patient(name, Eye.of(-1, -1, 20), Eye.of(2, 0), seed)
            return [person.reply(question) for _ in range(40) for question in QUESTIONS]

        assert sit(7) == sit(7)
        if name not in ("exact", "silent", "contradictory") and not name.startswith("always"):
            assert sit(7) != sit(8)

    def test_answers_in_the_form_of_the_question(self, name: str) -> None:
        person = patient(name, Eye.of(-1, -1, 20), Eye.of(2, 0), 1)
        for question in QUESTIONS * 60:
            heard = person.reply(question).heard()
            if heard.outcome is not Outcome.HEARD:
                assert heard.meaning is None
                continue
            if isinstance(question, Choice):
                assert heard.meaning in CHOICE_ANSWERS | {Meaning.AGAIN}
            elif isinstance(question, Legible):
                assert heard.meaning in LEGIBLE_ANSWERS
            else:
                assert heard.meaning in (Meaning.SET_ACUITY, Meaning.NO)
                assert (heard.value is not None) == (heard.meaning is Meaning.SET_ACUITY)

    def test_numbers_for_the_record_and_read_back(self, name: str) -> None:
        person = patient(name, Eye.of(0), Eye.of(0), pd=61.0, age=33)
        confirmed = person.reply(Confirm(Side.BOTH, "read_back", "prescription"))
        assert (confirmed.meaning, confirmed.by) == (Meaning.CONFIRM, Speaker.EXAMINER)
        if name == "silent":
            assert person.reply(Value(Side.BOTH, "opening", "pd")).heard().outcome is Outcome.SILENCE
            return
        pd = person.reply(Value(Side.BOTH, "opening", "pd"))
        assert (pd.meaning, pd.value) == (Meaning.SET_PD, 61.0)
        age = person.reply(Value(Side.BOTH, "opening", "age"))
        assert (age.meaning, age.value) == (Meaning.SET_AGE, 33)
        assert person.reply(Value(Side.BOTH, "opening", "vertex")).meaning is Meaning.SKIP

    def test_describes_itself(self, name: str) -> None:
        assert kind(name).says


class TestHostile:
    def test_habits(self) -> None:
        said = {name: patient(name, Eye.of(0), Eye.of(0)).reply(choice(0, -3)).meaning for name in HOSTILE}
        assert said["always-one"] is Meaning.FIRST
        assert said["always-two"] is Meaning.SECOND
        assert said["always-same"] is Meaning.SAME
        assert said["silent"] is None

    def test_silence_is_silence(self) -> None:
        heard = patient("silent", Eye.of(0), Eye.of(0)).reply(choice(0, 1)).heard()
        assert heard.outcome is Outcome.SILENCE

    def test_contradictory_takes_back_every_answer(self) -> None:
        person = patient("contradictory", Eye.of(0), Eye.of(0))
        said = [person.reply(choice(0, 1)).meaning for _ in range(4)]
        assert said == [Meaning.SECOND, Meaning.FIRST] * 2

    def test_random_draws_every_answer(self) -> None:
        person = patient("random", Eye.of(0), Eye.of(0), 4)
        assert {person.reply(choice(0, 3)).meaning for _ in range(100)} == {
            Meaning.FIRST,
            Meaning.SECOND,
            Meaning.SAME,
        }


def test_off_topic_is_not_understood() -> None:
    person = VirtualPatient(Eye.of(0), Eye.of(0), replace(TYPICAL, off_topic=1.0))
    heard = person.reply(choice(0, 1)).heard()
    assert heard.outcome is Outcome.NOT_UNDERSTOOD
    assert heard.text


def test_takes_a_random_generator_in_place_of_a_seed() -> None:
    one = VirtualPatient(Eye.of(0), Eye.of(0), TYPICAL, Random(11))
    two = VirtualPatient(Eye.of(0), Eye.of(0), TYPICAL, 11)
    assert [one.reply(choice(0, 0.25)) for _ in range(50)] == [two.reply(choice(0, 0.25)) for _ in range(50)]


def test_exact_is_free_of_chance() -> None:
    one, two = (VirtualPatient(Eye.of(-1), Eye.of(0), EXACT, seed) for seed in (1, 2))
    assert [one.reply(q) for q in QUESTIONS * 5] == [two.reply(q) for q in QUESTIONS * 5]


def test_unknown_kind_lists_the_kinds() -> None:
    with pytest.raises(ValueError, match="kind: 'polite' is none of exact, steady"):
        patient("polite", Eye.of(0), Eye.of(0))


@pytest.mark.parametrize(
    "change",
    [
        {"lapse": 1.5},
        {"again": -0.1},
        {"threshold": 0.0},
        {"weber": -1.0},
        {"seconds": math.inf},
        {"position_bias": math.nan},
    ],
)
def test_traits_that_cannot_be_name_the_field(change: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=rf"^{next(iter(change))}: "):
        replace(TYPICAL, **change)


def test_values_not_known_are_skipped() -> None:
    person = VirtualPatient(Eye.of(0), Eye.of(0), pd=None, age=None)
    assert person.reply(Value(Side.BOTH, "o", "pd")).meaning is Meaning.SKIP
    assert person.reply(Value(Side.BOTH, "o", "age")).meaning is Meaning.SKIP
