"""All answers together: when they turn the dials, and when they leave them alone."""

from __future__ import annotations

import pytest

from assistant.optics.lens import Lens
from assistant.optics.power_vector import PowerVector
from assistant.protocol.exam import Exam
from assistant.protocol.eye import EyeState
from assistant.protocol.questions import Eye
from assistant.protocol.start import Start
from assistant.protocol.weighing import weighed

LENS = Lens.of(-2.0, -1.0, 90)
EYE = EyeState(Eye.RIGHT, LENS)


def at(m: float, j0: float, j45: float) -> PowerVector:
    return PowerVector(m, j0, j45)


def test_nothing_to_say_leaves_the_lens() -> None:
    assert weighed(lambda *_: None, (), EYE) == LENS


def test_an_estimate_near_the_lens_leaves_it() -> None:
    own = LENS.vector
    assert weighed(lambda *_: at(own.m + 1.0, own.j0 + 0.05, own.j45), (), EYE) == LENS


def test_the_astigmatism_follows_and_the_spherical_equivalent_holds_to_half_a_click() -> None:
    truth = PowerVector.of(-2.0, -2.0, 80)
    lens = weighed(lambda *_: at(5.0, truth.j0, truth.j45), (), EYE)
    assert (lens.cylinder, lens.axis) == (-200, 80)
    # The estimate's own M is believed to half a click and no further: the over-minus check has the word on that.
    assert abs(lens.spherical_equivalent - LENS.spherical_equivalent) <= 0.25


@pytest.mark.parametrize("toward", [-1.0, 1.0])
def test_the_half_click_goes_where_the_answers_point(toward: float) -> None:
    # A quarter of cylinder more moves the spherical equivalent by an eighth on the dials, one way or the other.
    truth = PowerVector.of(-2.0, -1.25, 90)
    lens = weighed(lambda *_: at(LENS.vector.m + toward, truth.j0, truth.j45), (), EYE)
    assert (lens.spherical_equivalent - LENS.spherical_equivalent) * toward > 0


def test_never_beyond_the_dials() -> None:
    wild = PowerVector.of(0.0, -12.0, 10)
    assert weighed(lambda *_: wild, (), EYE) == LENS


@pytest.mark.parametrize("bad", [float("nan"), float("inf")])
def test_an_estimate_that_is_no_number_leaves_the_lens(bad: float) -> None:
    if bad != bad:
        assert weighed(lambda *_: at(0.0, bad, bad), (), EYE) == LENS
    else:
        with pytest.raises(ValueError):
            weighed(lambda *_: at(0.0, bad, bad), (), EYE)


def test_an_exam_without_it_is_an_exam() -> None:
    assert Exam(Start()).weigh is None
