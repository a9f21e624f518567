"""What to ask next: QUEST+'s choice where QUEST+ can be asked, and what an examiner would say where it cannot."""

from __future__ import annotations

import math

import numpy as np
import pytest
from eyes import around, heard

from assistant.evidence import Evidence
from assistant.evidence.gain import chances, information, vector_gain
from assistant.evidence.model import Prior, Seen
from assistant.optics.lens import CrossCylinder, Lens
from assistant.optics.power_vector import PowerVector
from assistant.protocol.meanings import Meaning
from assistant.protocol.questions import AcuityQuestion, Choice, Eye, Legible, Value

TRUTH = PowerVector.of(-2.25, -1.0, 30)
NEAR = Lens.of(-2.25, -1.0, 30)


def pair(first: Lens, second: Lens) -> Choice:
    return Choice(Eye.RIGHT, "sphere", first, second)


def test_information_of_textbook_cases() -> None:
    even = np.full(2, 0.5)
    assert information(np.eye(2), even) == pytest.approx(1.0)  # a sure answer about a coin: one bit
    assert information(np.full((2, 2), 0.5), even) == pytest.approx(0.0)
    noisy = np.array([[0.9, 0.1], [0.1, 0.9]])  # binary symmetric channel: 1 - H(0.1)
    assert information(noisy, even) == pytest.approx(1 + 0.9 * math.log2(0.9) + 0.1 * math.log2(0.1))


def test_chooses_as_questplus_does() -> None:
    """The reference library on a threshold of a yes-or-no curve, its own psychometric function and choice."""
    questplus = pytest.importorskip("questplus", reason="the reference library questplus is not installed")
    levels, thresholds = np.arange(-20.0, 1.0), np.arange(-18.0, -1.0)
    reference = questplus.QuestPlus(
        stim_domain={"intensity": levels},
        param_domain={
            "threshold": thresholds,
            "slope": np.array([3.5]),
            "lower_asymptote": np.array([0.5]),
            "lapse_rate": np.array([0.02]),
        },
        outcome_domain={"response": ["Yes", "No"]},
        func="weibull",
        stim_scale="dB",
        stim_selection_method="min_entropy",
        param_estimation_method="mean",
    )

    def curve(level: float) -> np.ndarray:
        """Weibull in decibels as Watson 2017 gives it, written out anew."""
        yes = 1 - 0.02 - (1 - 0.5 - 0.02) * np.exp(-(10 ** (3.5 * (level - thresholds) / 20)))
        return np.stack((yes, 1 - yes))

    weights = np.full(len(thresholds), 1 / len(thresholds))
    chance = np.random.default_rng(5)
    for _ in range(25):
        gains = [information(curve(level), weights) for level in levels]
        chosen = reference.next_stim["intensity"]
        assert max(gains) - gains[list(levels).index(chosen)] < 1e-9
        yes = chance.random() < curve(chosen)[0][7]
        reference.update(stim={"intensity": chosen}, outcome={"response": "Yes" if yes else "No"})
        weights = weights * curve(chosen)[0 if yes else 1]
        weights /= weights.sum()
        assert reference.marginal_posterior["threshold"] == pytest.approx(weights, abs=1e-9)


@pytest.mark.parametrize(
    "question",
    [
        pair(NEAR, NEAR.with_sphere(-300)),
        Legible(Eye.RIGHT, "over_minus", NEAR, "20/20"),
        AcuityQuestion(Eye.RIGHT, "acuity", NEAR),
    ],
)
def test_chances_are_chances(question: Choice) -> None:
    seen = Seen(Prior(None, 40).draw(300, np.random.default_rng(1)), 40)
    table = chances(question, seen)
    assert (table >= 0).all()
    assert table.sum(axis=0) == pytest.approx(1)


def test_a_value_tells_nothing_of_the_eye() -> None:
    with pytest.raises(ValueError, match=r"^question: "):
        Evidence().gain(Value(Eye.BOTH, "pd", "pd"))


@pytest.fixture(scope="module")
def known() -> Evidence:
    return Evidence(None, 80, around(TRUTH, NEAR)[:7])  # sphere asked about, cylinder not


class TestBestPair:
    def test_asks_about_what_is_not_known(self, known: Evidence) -> None:
        axis, sphere = CrossCylinder(25, 75), NEAR.with_sphere(NEAR.sphere - 150)
        straddling = pair(NEAR.with_cross(axis), NEAR.with_cross(axis.flipped()))
        assert known.best_pair([pair(NEAR, sphere), straddling]) is straddling

    def test_no_two_like_lenses(self, known: Evidence) -> None:
        alike, apart = pair(NEAR, NEAR), pair(NEAR, NEAR.with_cylinder(-200))
        assert known.gain(alike) < known.gain(apart)
        assert known.best_pair([alike, apart]) is apart

    def test_needs_candidates(self, known: Evidence) -> None:
        with pytest.raises(ValueError, match=r"^candidates: "):
            known.best_pair([])

    def test_what_was_expected_is_what_comes(self, known: Evidence) -> None:
        """The mean of the gains by answer, each from a real update, is the gain foretold."""
        question = pair(NEAR, NEAR.with_cylinder(-200))
        table = chances(question, Seen(known._cloud.theta, known.age))
        weights = known._weights
        before = vector_volume(known)
        gained = 0.0
        for row, meaning in zip(table, (Meaning.FIRST, Meaning.SECOND, Meaning.SAME), strict=True):
            after = known.update(question, heard(meaning))
            gained += float(row @ weights) * (before - vector_volume(after))
        assert known.gain(question) == pytest.approx(gained, abs=0.25)
        assert known.information(question) > 0


def vector_volume(evidence: Evidence) -> float:
    theta, weights = evidence._cloud.theta[:3], evidence._weights
    return -vector_gain(np.ones((1, theta.shape[1])), theta, weights) + float(
        np.linalg.slogdet(np.cov(theta, aweights=weights, ddof=0) + 1e-4 * np.eye(3))[1] / (2 * math.log(2))
    )
