"""What to ask next: QUEST+'s choice where QUEST+ can be asked, and what an examiner would say where it cannot."""

from __future__ import annotations

import math

import numpy as np
import pytest
from eyes import around

from assistant.evidence import Evidence
from assistant.evidence.gain import blur_information, chances, information, most_telling
from assistant.evidence.model import Prior, Seen
from assistant.optics.lens import CrossCylinder, Lens
from assistant.optics.power_vector import PowerVector
from assistant.protocol.questions import AcuityQuestion, Choice, Eye, Legible, Question, Value

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

    @pytest.mark.parametrize("step", [-300, -150, -50, -25, 25, 50, 150, 300])
    def test_less_is_learnt_of_the_eye_than_in_all(self, known: Evidence, step: int) -> None:
        question = pair(NEAR, NEAR.with_sphere(NEAR.sphere + step))
        assert 0 <= known.gain(question) <= known.information(question) + 0.01

    def test_a_foregone_answer_tells_little(self, known: Evidence) -> None:
        foregone, open_ = pair(NEAR, NEAR.with_sphere(-1200)), pair(NEAR, NEAR.with_sphere(NEAR.sphere - 25))
        assert known.gain(foregone) < 0.25 * known.gain(open_)


def test_information_through_the_blur() -> None:
    """Where the answer is the blur's sign, one bit; where it follows the person alone, none."""
    chance = np.random.default_rng(1)
    blur, person = chance.standard_normal(20_000), chance.standard_normal(20_000)
    weights = np.full(20_000, 1 / 20_000)
    by_blur, by_person = ((np.stack((x > 0, x <= 0))).astype(float) for x in (blur, person))
    assert blur_information(by_blur, blur, weights) == pytest.approx(1.0, abs=0.03)  # the bin about zero holds both
    assert information(by_person, weights) == pytest.approx(1.0, abs=0.01)
    assert blur_information(by_person, blur, weights) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("worth", [(1.0, 0.0, 0.0), (0.0, 1.0, 1.0), (2.0, 1.0, 1.0)])
def test_the_most_telling_leaves_the_least_variance(worth: tuple[float, float, float]) -> None:
    """Against the definition, answer by answer: the variance among those who answer so, by the chance of the answer."""
    seen = Seen(Prior(NEAR.vector, 50).draw(2000, np.random.default_rng(7)), 50)
    cross = CrossCylinder(50, 75)
    questions: list[Question] = [
        *(pair(NEAR.with_sphere(NEAR.sphere + by), NEAR.with_sphere(NEAR.sphere - by)) for by in (25, 100, 300)),
        pair(NEAR.with_cross(cross), NEAR.with_cross(cross.flipped())),
        *(AcuityQuestion(Eye.RIGHT, "settle", NEAR.with_sphere(NEAR.sphere + fog)) for fog in (0, 150)),
        Legible(Eye.RIGHT, "settle", NEAR, "20/100"),
    ]
    vectors = np.stack((seen.m, seen.j0, seen.j45)).astype(float)

    def left(question: Question) -> float:
        total = 0.0
        for said in chances(question, seen):
            share = said / said.sum()
            mean = vectors @ share
            total += said.mean() * float(np.array(worth) @ ((vectors - mean[:, None]) ** 2 @ share))
        return total

    assert most_telling(questions, seen, PowerVector(*worth)) == min(questions, key=left)
