"""The particles against sums done otherwise: plain importance sampling, published quantiles, virtual patients."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from eyes import around, choice, ideal_letter, ideal_reading

from assistant.evidence.cloud import PARTICLES, Cloud, effective
from assistant.evidence.intervals import quantiles
from assistant.evidence.model import (
    BEST,
    BETTER,
    FOCUS,
    J0,
    J45,
    NEAR_M,
    SIZE,
    WIDE_M,
    Answers,
    Array,
    M,
    Prior,
    Seen,
    accommodation,
    answer_row,
    choice_row,
    line_row,
    reading_rows,
)
from assistant.optics.lens import CrossCylinder, Lens
from assistant.optics.near import largest_amplitude
from assistant.optics.power_vector import PowerVector
from assistant.patients.eye import Eye as VirtualEye
from assistant.patients.patient import Traits, VirtualPatient
from assistant.protocol.meanings import Meaning
from assistant.protocol.questions import Choice, Eye, Legible

TRUTH = PowerVector.of(1.25, -1.5, 100)
NEAR = Lens.of(1.0, -1.25, 95)


def rows_of(pairs: Any) -> list[Answers]:
    rows = [answer_row(question, said) for question, said in pairs]
    return [row for row in rows if row is not None]


class TestPrior:
    def test_draws_have_the_stated_tails(self) -> None:
        """97.5 % of Student's t with three degrees of freedom: 3.182 (published tables)."""
        theta = Prior(None, 40).draw(100_000, np.random.default_rng(1))
        assert np.quantile(theta[M], 0.975) == pytest.approx(3.182 * WIDE_M, rel=0.04)
        start = Prior(PowerVector(-6.0, 0.0, 0.0), 40).draw(100_000, np.random.default_rng(1))
        assert np.median(start[M]) == pytest.approx(-6, abs=0.05)
        assert np.mean(abs(start[M] + 6) > 4 * NEAR_M) > 0.05  # wide enough to be wrong

    @pytest.mark.parametrize("start", [None, PowerVector(-3.0, 0.5, -0.25)])
    def test_the_density_is_that_of_the_draws(self, start: PowerVector | None) -> None:
        """Where one prior is sampled and weighed by another's density, moments of the other come out."""
        chance = np.random.default_rng(2)
        broad, wanted = Prior(start, 40), Prior(start, 40)
        theta = broad.draw(200_000, chance)
        # Scale every part about the middle by a known factor: the density must change by that factor's Jacobian.
        stretched = theta.copy()
        stretched[FOCUS] *= 1.3
        log_ratio = wanted.log_density(stretched) - broad.log_density(theta) + math.log(1.3)
        assert np.exp(log_ratio).mean() == pytest.approx(1, abs=0.02)
        shifted = theta.copy()
        shifted[M] += 0.2
        assert np.exp(wanted.log_density(shifted) - broad.log_density(theta)).mean() == pytest.approx(1, abs=0.02)
        turned = theta.copy()
        turned[BEST] += 0.02
        assert np.exp(wanted.log_density(turned) - broad.log_density(theta)).mean() == pytest.approx(1, abs=0.03)
        assert np.mean(theta[BEST] < -0.03) == pytest.approx(0.5, abs=0.01)
        assert np.mean(theta[BEST] < -0.03 - 2 * BETTER) == pytest.approx(0.0228, abs=0.003)  # normal: 2 sigma

    @pytest.mark.parametrize("age", [None, 10, 40, 58, 62, 90])
    def test_nobody_focuses_beyond_the_amplitude_of_the_age(self, age: int | None) -> None:
        """Hofstetter's largest amplitude, 25 - 0.40 age."""
        used = accommodation(np.linspace(-8, 8, 400, dtype=np.float32), age)
        most = largest_amplitude(20 if age is None else age)
        assert used.min() >= 0 and used.max() <= most + 1e-4
        assert used.max() == pytest.approx(most, abs=0.01)
        assert (np.diff(used) >= -1e-6).all()


class TestLikelihood:
    @pytest.fixture
    def seen(self) -> Seen:
        return Seen(Prior(None, 40).draw(500, np.random.default_rng(3)), 40)

    def test_chances_of_a_choice_sum_to_one(self, seen: Seen) -> None:
        lens = Lens.of(-1.0, -0.5, 20)
        rows = [choice_row(lens, lens.with_sphere(-150), m) for m in (Meaning.FIRST, Meaning.SECOND, Meaning.SAME)]
        total = sum(np.exp(seen.log_choices(row.choices)) for row in rows if row is not None)
        assert total == pytest.approx(1.0, abs=1e-3)

    def test_chances_of_a_letter_line_sum_to_one(self, seen: Seen) -> None:
        rows = [line_row(Lens.of(0.5), "20/30", m) for m in (Meaning.YES, Meaning.NO)]
        total = sum(np.exp(seen.log_lines(row.lines)) for row in rows if row is not None)
        assert total == pytest.approx(1.0, abs=1e-3)

    def test_chances_of_the_lines_sum_to_about_one(self, seen: Seen) -> None:
        """A stray reading is spread over half a dozen lines, whichever lines of the chart these are."""
        total = np.exp(seen.log_readings(reading_rows(Lens.of(0.5)))).sum(axis=0)
        assert (abs(total - 1) < 0.6 * seen.lapse + 0.01).all()

    @pytest.mark.parametrize(
        ("first", "second"),
        [
            (Lens.of(0.0), Lens.of(-0.25)),
            (Lens.of(-1.0), Lens.of(-2.0)),
            (Lens.of(-2.0), Lens.of(-3.0)),
            (
                Lens.of(-1.5, -1.0, 20, CrossCylinder(25, 65)),
                Lens.of(-1.5, -1.0, 20, CrossCylinder(25, 155)),
            ),
        ],
    )
    def test_a_virtual_patient_answers_as_often_as_foretold(self, first: Lens, second: Lens) -> None:
        """The patients know nothing of this model; a logistic curve stands for their normal one within 0.01."""
        traits = Traits(
            threshold=0.1, weber=0.1, same_zone=0.08, lapse=0.06, minus_liking=0.05, cylinder_liking=0.02,
            again=0, off_topic=0, fatigue=0, hedge=0,
        )  # fmt: skip
        eye = VirtualEye.of(-1.25, -1.25, 30, pupil_mm=5.0)
        person = VirtualPatient(eye, eye, traits, 7)
        many = 6000
        said = [person.reply(Choice(Eye.RIGHT, "sphere", first, second)).meaning for _ in range(many)]
        theta = particle(eye, traits)
        for meaning in (Meaning.FIRST, Meaning.SECOND, Meaning.SAME):
            row = choice_row(first, second, meaning)
            assert row is not None
            foretold = float(np.exp(Seen(theta, 40).log_choices(row.choices))[0, 0])
            spread = math.sqrt(foretold * (1 - foretold) / many)
            assert said.count(meaning) / many == pytest.approx(foretold, abs=3.5 * spread + 0.012)

    @pytest.mark.parametrize("sphere", [-1.25, -0.75, -0.5, -0.25, 0.25])
    def test_a_virtual_patient_reads_letters_as_often_as_foretold(self, sphere: float) -> None:
        traits = Traits(lapse=0.06, letter_noise=0.05, any_letter=0.15, fatigue=0, off_topic=0)
        eye = VirtualEye.of(-1.25, -1.25, 30, pupil_mm=5.0, best_logmar=-0.05)
        person = VirtualPatient(eye, eye, traits, 7)
        lens, many = Lens.of(sphere, -1.25, 30), 4000
        question = Legible(Eye.RIGHT, "over_minus", lens, "20/20")
        said = [person.reply(question).meaning for _ in range(many)]
        row = line_row(lens, "20/20", Meaning.YES)
        assert row is not None
        foretold = float(np.exp(Seen(particle(eye, traits), 40).log_lines(row.lines))[0, 0])
        spread = math.sqrt(foretold * (1 - foretold) / many)
        assert said.count(Meaning.YES) / many == pytest.approx(foretold, abs=3.5 * spread + 0.012)


def particle(eye: VirtualEye, traits: Traits) -> Array:
    """One particle that is this patient."""
    from assistant.evidence.model import NAMES

    value = dict.fromkeys(NAMES, 0.0) | {
        "m": eye.correction.m,
        "j0": eye.correction.j0,
        "j45": eye.correction.j45,
        "log_threshold": math.log(traits.threshold),
        "log_weber": math.log(traits.weber),
        "log_same": math.log(traits.same_zone),
        "log_same_growth": math.log(traits.same_zone * traits.weber / traits.threshold),
        "log_lapse": math.log(traits.lapse),
        "minus_liking": traits.minus_liking,
        "cylinder_liking": traits.cylinder_liking,
        "log_scale": math.log(eye.pupil_mm / 4),
        "exponent": 2.0,
        "best_logmar": eye.best_logmar,
        "any_letter": traits.any_letter,
        "log_letter_noise": math.log(traits.letter_noise),
        "focus": -8.0,
    }
    return np.array([[value[name]] for name in NAMES])


class TestPosterior:
    @pytest.mark.parametrize("answers", [1, 3, 5])
    def test_agrees_with_plain_importance_sampling(self, answers: int) -> None:
        """A million draws from the prior weighed by all answers at once: slow, and nothing in it to go wrong."""
        pairs = (
            ideal_reading(Lens.of(0.0), TRUTH),
            choice(Lens.of(0.0), Lens.of(1.0), Meaning.SECOND),
            choice(Lens.of(1.0), Lens.of(2.0), Meaning.FIRST),
            ideal_letter(NEAR, "20/20", TRUTH),
            choice(NEAR, NEAR.with_cylinder(-200), Meaning.FIRST, hedged=True),
        )[:answers]
        prior, before = Prior(None, 50), Answers.none()
        cloud = Cloud.of(prior)
        for row in rows_of(pairs):
            cloud, before = cloud.updated(row, before), before.plus(row)
        theta = prior.draw(1_000_000, np.random.default_rng(4))
        log_weights = Seen(theta, 50).log_likelihood(before)
        weights = np.exp(log_weights - log_weights.max())
        evidence = math.log(weights.mean()) + log_weights.max()
        weights /= weights.sum()
        assert 1 / (weights @ weights) > 2000  # enough to compare with
        assert cloud.log_evidence == pytest.approx(evidence, abs=0.25)
        for row in (M, J0, J45):
            wanted = quantiles(theta[row], weights, (0.05, 0.25, 0.5, 0.75, 0.95))
            got = quantiles(cloud.theta[row], cloud.weights, (0.05, 0.25, 0.5, 0.75, 0.95))
            width = wanted[4] - wanted[0]
            assert got == pytest.approx(wanted, abs=0.2 * width)  # a thousand particles

    def test_stays_alive_through_contradiction(self) -> None:
        """Answers that cannot all be true leave a posterior of many particles, not one."""
        prior, before = Prior(None, 40), Answers.none()
        cloud = Cloud.of(prior)
        both = (Meaning.SECOND, Meaning.FIRST)
        contrary = tuple(choice(Lens.of(0.0), Lens.of(s), said) for s in (1, -1, 2, -2) for said in both)
        for row in rows_of((*around(TRUTH, NEAR), *contrary)):
            cloud, before = cloud.updated(row, before), before.plus(row)
            assert cloud.weights.sum() == pytest.approx(1)
            assert effective(cloud.log_weights) > 0.1 * len(cloud.log_weights)
        assert len(np.unique(cloud.theta[M])) > PARTICLES / 4
        assert cloud.theta.shape == (SIZE, PARTICLES)
