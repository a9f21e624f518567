"""Cohorts: who is drawn, how an exam is sat, and that the tally's arithmetic is right."""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.optics.lens import Lens
from assistant.optics.power_vector import PowerVector
from assistant.patients.cohort import (
    COLUMNS,
    MOST_REPLIES,
    NEAR_START,
    OVER_MINUS,
    POPULATIONS,
    STARTS,
    Cohort,
    EyeRecord,
    Histogram,
    Tally,
    draw_patient,
    exam_of,
    exams,
    on_the_dials,
    rows,
    sit,
)
from assistant.patients.eye import Eye
from assistant.patients.patient import HOSTILE, KINDS, VirtualPatient, patient
from assistant.protocol.effects import Ask, Effect, EyeResult, Flag, Prescribe
from assistant.protocol.meanings import Heard
from assistant.protocol.questions import Choice, Confirm
from assistant.protocol.questions import Eye as Side

SOME = 300
ON_THE_DIALS = 0.125 * math.sqrt(2) + 0.07  # D: half a click of M and of the cylinder, half a degree of a strong one


def drawn(cohort: Cohort) -> list[VirtualPatient]:
    return [draw_patient(cohort, number)[0] for number in range(SOME)]


class TestDrawing:
    def test_a_number_is_a_patient(self) -> None:
        cohort = Cohort(seed=5)
        later = [draw_patient(cohort, number)[0] for number in (9, 3)]
        assert [p.right for p in later] == [draw_patient(cohort, number)[0].right for number in (9, 3)]
        assert len({p.right for p in drawn(cohort)}) == SOME
        assert draw_patient(Cohort(seed=6), 3)[0].right != later[1].right

    def test_wide_is_the_stated_range(self) -> None:
        needs = [eye.correction.sphero_cylinder() for p in drawn(Cohort()) for eye in (p.right, p.left)]
        for column, low, high in ((0, -8, 6), (1, -4, 0), (2, 0, 180)):
            values = [need[column] for need in needs]
            assert low <= min(values) <= low + 0.03 * (high - low)
            assert high - 0.03 * (high - low) <= max(values) <= high

    def test_clinic_eyes_are_alike_and_ordinary(self) -> None:
        people = drawn(Cohort(population="clinic"))
        differences = [abs(p.right.correction.m - p.left.correction.m) for p in people]
        assert statistics.median(differences) < 0.5
        assert statistics.median(2 * p.right.correction.astigmatism for p in people) < 1.0
        assert all(abs(p.right.correction.m) <= 8.1 for p in people)

    def test_interpupillary_distances(self) -> None:
        """Mean 63 mm, most within 50-75 (Dodgson, Proc SPIE 2004;5291)."""
        distances = [p.pd for p in drawn(Cohort())]
        assert all(d is not None and 50 <= d <= 75 for d in distances)
        assert statistics.mean(d for d in distances if d) == pytest.approx(63, abs=1)

    def test_kinds_bring_their_own_eyes(self) -> None:
        young, elderly = drawn(Cohort(kind="young")), drawn(Cohort(kind="elderly"))
        assert min(p.right.accommodation for p in young) > 10  # Hofstetter's mean at 25: 18.5 - 0.3 * 25 = 11.0 D
        assert max(p.right.accommodation for p in elderly) == 0
        assert all(p.right.best_logmar >= 0.3 for p in drawn(Cohort(kind="poor-acuity")))  # 20/40

    def test_near_start_is_near(self) -> None:
        for number in range(SOME):
            person, start = draw_patient(Cohort(start="near"), number)
            assert start.right.lens is not None
            off = start.right.lens.vector.minus(person.right.correction).blur
            assert off <= NEAR_START + ON_THE_DIALS

    def test_over_minused_start_is_over_minused(self) -> None:
        for number in range(SOME):
            person, start = draw_patient(Cohort(start="over-minused"), number)
            assert start.left.lens is not None
            too_much = person.left.correction.m - start.left.lens.vector.m
            assert OVER_MINUS[0] - 0.13 <= too_much <= OVER_MINUS[1] + 0.13

    @pytest.mark.parametrize(
        ("field", "change"),
        [
            ("kind", {"kind": "polite"}),
            ("population", {"population": "all"}),
            ("start", {"start": "glasses"}),
            ("blur_model", {"blur_model": "cube"}),
        ],
    )
    def test_a_cohort_that_cannot_be_says_what_may_be(self, field: str, change: dict[str, str]) -> None:
        with pytest.raises(ValueError, match=rf"^{field}: '{change[field]}' is none of "):
            replace(Cohort(), **change)


def test_a_trait_set_otherwise_reaches_the_patients() -> None:
    cohort = Cohort(changes=(("lapse", 0.0), ("weber", 0.2)))
    assert (cohort.traits.lapse, cohort.traits.weber) == (0.0, 0.2)
    assert draw_patient(cohort, 0)[0].traits == cohort.traits
    with pytest.raises(ValueError, match="trait: 'humour' is none of threshold, weber"):
        Cohort(changes=(("humour", 1.0),))


@given(st.floats(-8, 6), st.floats(-4, 0), st.floats(0, 180))
def test_on_the_dials_is_the_lens_next_to_it(sphere: float, cylinder: float, axis: float) -> None:
    vector = PowerVector.of(sphere, cylinder, axis)
    lens = on_the_dials(vector)
    assert lens.sphere % 25 == 0
    assert lens.cylinder % 25 == 0
    assert lens.vector.minus(vector).blur <= ON_THE_DIALS


@dataclass
class TwoQuestions:
    """A tiny stand-in for the exam: two choices on the right eye, one confirmation, a fixed draft."""

    endless: bool = False
    said: list[Heard] = field(default_factory=list)
    question: Choice | Confirm | None = None

    def _ask(self, question: Choice | Confirm) -> tuple[Effect, ...]:
        self.question = question
        return (Ask(question, len(self.said) + 1),)

    def begin(self) -> tuple[Effect, ...]:
        return self._ask(Choice(Side.RIGHT, "sphere", Lens.of(0), Lens.of(-1)))

    def hear(self, heard: Heard) -> tuple[Effect, ...]:
        self.said.append(heard)
        if self.endless or len(self.said) == 1:
            return self._ask(Choice(Side.RIGHT, "sphere", Lens.of(-1), Lens.of(-2)))
        if len(self.said) == 2:
            return (
                Flag("odd", Side.RIGHT),
                Flag("differ", Side.BOTH),
                *self._ask(Confirm(Side.BOTH, "c", "all")),
            )
        return self.close(confirmed=True)

    def close(self, confirmed: bool = False) -> tuple[Effect, ...]:
        right = EyeResult(sphere=-100, cylinder=-50, axis=178, add=None, acuity="20/20")
        left = EyeResult(sphere=None, cylinder=None, axis=None, add=None, acuity=None, complete=False)
        return (Prescribe(right, left, pd=62.0, confirmed=confirmed),)


class TestSitting:
    def test_counts_questions_and_gathers_flags(self) -> None:
        record = sit(patient("exact", Eye.of(-1, -0.5, 3), Eye.of(0)), TwoQuestions(), 7)
        assert (record.number, record.confirmed, record.flags) == (7, True, ("differ",))
        assert (record.right.questions, record.left.questions) == (2, 0)
        assert record.right.flags == ("odd",)
        assert record.seconds == pytest.approx(3.0)  # three sure answers of a patient who takes a second

    def test_error_is_draft_less_truth(self) -> None:
        record = sit(patient("exact", Eye.of(-1, -0.5, 3), Eye.of(0)), TwoQuestions())
        assert record.right.error is not None
        # Turned by t it leaves a cross cylinder of 2 * 0.25 * sin t (W.F. Harris, S Afr Optom 2007;66:41-55)
        assert record.right.error.blur == pytest.approx(2 * 0.25 * math.sin(math.radians(5)))
        assert record.right.axis_error == pytest.approx(5)  # 178 and 3 are five degrees apart
        assert record.left.error is None
        assert record.left.axis_error is None

    def test_an_endless_exam_is_stopped_and_says_so(self) -> None:
        exam = TwoQuestions(endless=True)
        record = sit(patient("exact", Eye.of(0), Eye.of(0)), exam)
        assert len(exam.said) == MOST_REPLIES
        assert "endless" in record.flags
        assert not record.confirmed

    def test_rows_hold_every_column(self) -> None:
        record = sit(patient("exact", Eye.of(-1, -0.5, 3), Eye.of(0)), TwoQuestions())
        right, left = rows(record)
        assert tuple(right) == tuple(left) == COLUMNS
        assert (right["eye"], right["sphere"], right["cylinder"], right["axis"]) == ("right", -1.0, -0.5, 178)
        assert right["flags"] == "odd differ"
        assert (left["sphere"], left["error"], left["complete"]) == (None, None, False)

    @pytest.mark.parametrize("population", sorted(POPULATIONS))
    @pytest.mark.parametrize("start", STARTS)
    def test_the_same_exam_twice(self, population: str, start: str) -> None:
        cohort = Cohort(population=population, start=start, seed=2)
        assert exam_of(cohort, 4) == exam_of(cohort, 4)

    @pytest.mark.parametrize("name", sorted(KINDS))
    def test_every_kind_comes_to_an_end(self, name: str) -> None:
        """At most 80 questions an eye, asked-again ones included for patients who answer at all (design
        limit)."""
        for record in exams(Cohort(kind=name, seed=1), 0, 3):
            assert "endless" not in record.flags
            for eye in record.eyes:
                assert eye.questions <= 80 or name not in HOSTILE


class TestTally:
    @given(st.lists(st.integers(-5000, 5000), min_size=2), st.floats(0.01, 1))
    def test_histogram_agrees_with_reference_libraries(self, values: list[int], share: float) -> None:
        """Percentiles as numpy's inverted distribution function, mean and deviation as the statistics
        module's."""
        histogram = Histogram()
        for value in values:
            histogram.add(value)
        assert histogram.percentile(share) == np.quantile(values, share, method="inverted_cdf")
        assert histogram.mean() == pytest.approx(statistics.mean(values))
        assert histogram.deviation() == pytest.approx(statistics.stdev(values))
        assert histogram.sizes().percentile(1.0) == max(abs(value) for value in values)
        assert histogram.share_within(100) == sum(abs(value) <= 100 for value in values) / len(values)

    def test_nothing_has_no_figures(self) -> None:
        empty = Histogram()
        assert (empty.percentile(0.5), empty.mean(), empty.deviation(), empty.share_within(1)) == (None,) * 4
        assert Tally().summary()["eyes"] == 0

    def test_parts_in_any_order_make_the_same_whole(self) -> None:
        records = list(exams(Cohort(kind="exact", seed=3), 0, 9))
        whole, first, second = Tally(), Tally(), Tally()
        for record in records:
            whole.add(record)
        for record in records[5:]:
            second.add(record)
        for record in reversed(records[:5]):
            first.add(record)
        second.merge(first)
        assert second.summary() == whole.summary()
        assert second == whole

    def test_figures_of_a_known_cohort(self) -> None:
        """Three eyes off by -0.10, 0.20 and 0.60 D of sphere: the figures by hand."""
        record = sit(patient("exact", Eye.of(-1), Eye.of(0)), TwoQuestions())
        tally = Tally()
        for needed, flags in ((-0.9, ()), (-1.2, ()), (-1.6, ("odd",))):
            result = EyeResult(sphere=-100, cylinder=0, axis=None, add=None, acuity="20/20")
            eye = EyeRecord(Side.RIGHT, Eye.of(needed), result, 30, flags)
            tally.add(replace(record, right=eye, left=replace(record.left), flags=()))
        figures = tally.summary()
        assert figures["error"]["m"] == {
            "bias": pytest.approx(0.7 / 3, abs=1e-4),
            "sd": pytest.approx(0.3512, abs=1e-4),
            "p50": 0.2,
            "p90": 0.6,
            "p95": 0.6,
            "p99": 0.6,
            "p100": 0.6,
        }
        assert figures["agreement"]["m_within_0.25"] == pytest.approx(2 / 3)
        assert (figures["outside_0.50"], figures["outside_0.50_unflagged"], figures["open_eyes"]) == (1, 0, 3)
        assert figures["flags"] == {"odd": 1}

    def test_noise_free_patients_are_refracted_to_a_quarter(self) -> None:
        """Half a click of sphere and of cylinder is the least there is to be off; 0.30 D the most that is
        allowed."""
        tally = Tally()
        for record in exams(Cohort(kind="exact", population="clinic", seed=0), 0, 25):
            tally.add(record)
        assert tally.vector.percentile(1.0) is not None
        assert tally.vector.percentile(1.0) <= 300
