"""The virtual eye against published relations of blur, acuity and accommodation."""

from __future__ import annotations

import math

import pytest
from foreign import ForeignPatient, Rules, lens_json
from hypothesis import given
from hypothesis import strategies as st

from assistant.optics.lens import CrossCylinder, Lens
from assistant.optics.power_vector import PowerVector
from assistant.patients.eye import BlurModel, Eye, smallest_line

LINE = 0.1  # logMAR
SPREAD = 1.5 * LINE  # by how much the published tables of blur and acuity differ among themselves

# 6,000 refractions of adults under 30, Br J Ophthalmol chart table: blur (D), Snellen denominator at 20 feet.
CHART = [
    (0.5, 30),
    (0.75, 40),
    (1.0, 50),
    (1.25, 70),
    (1.5, 100),
    (2.0, 150),
    (2.5, 200),
    (3.0, 250),
    (3.5, 300),
]
# H.B. Peters, Am J Optom 1961;38.
PETERS = [(1.0, 60), (1.5, 100), (2.5, 200)]

quarter = st.integers(-32, 32).map(lambda clicks: clicks * 25)
lenses = st.builds(
    Lens,
    quarter,
    st.integers(-16, 0).map(lambda clicks: clicks * 25),
    st.integers(1, 180),
    st.none() | st.builds(CrossCylinder, st.sampled_from((25, 50)), st.integers(1, 180)),
)
refractions = st.tuples(st.floats(-8, 6), st.floats(-4, 0), st.floats(0, 180))


@pytest.mark.parametrize("blur", [0.25, 0.5, 1.0, 2.0, 3.0, 5.0])
def test_mar_grows_as_one_plus_blur_squared(blur: float) -> None:
    """R. Blendowske, Optom Vis Sci 2015: MAR = 1 + b² (b in dioptres, here at the reference pupil)."""
    assert Eye.of(0).mar(Lens.of(blur)) == pytest.approx(1 + blur**2)
    crossed = Eye(PowerVector(0, blur * 0.6, blur * 0.8))  # the same length, all of it astigmatism
    assert crossed.mar(Lens.of(0)) == pytest.approx(1 + blur**2)


@pytest.mark.parametrize(("blur", "denominator"), CHART)
def test_chart_model_is_the_published_table(blur: float, denominator: int) -> None:
    eye = Eye.of(0, blur_model=BlurModel.CHART)
    assert eye.acuity(Lens.of(blur)) == pytest.approx(math.log10(denominator / 20), abs=0.01)


@pytest.mark.parametrize(("blur", "denominator"), CHART + PETERS)
def test_both_models_stay_within_the_spread_of_the_sources(blur: float, denominator: int) -> None:
    """At 5 mm, a young adult's pupil in a dim room (common knowledge): the tables' subjects were under 30."""
    published = math.log10(denominator / 20)
    for model in BlurModel:
        eye = Eye.of(0, pupil_mm=5.0, blur_model=model)
        assert abs(eye.acuity(Lens.of(blur)) - published) <= SPREAD


@pytest.mark.parametrize("eye", [Eye.of(0), Eye.of(0, pupil_mm=5.0), Eye.of(0, blur_model=BlurModel.CHART)])
def test_plus_one_blurs_back_to_between_6_12_and_6_18(eye: Eye) -> None:
    """Optometry in Practice 2004;5(4): +1.00 over the right lens takes an eye to 6/12-6/18."""
    assert math.log10(12 / 6) - 1e-9 <= eye.acuity(Lens.of(1.0)) <= math.log10(18 / 6)


@pytest.mark.parametrize("cylinder", [-1.0, -1.5, -2.0])
def test_a_dioptre_of_cylinder_costs_about_two_lines(cylinder: float) -> None:
    """Clin Optom 2023;15:105-117: about 0.2 logMAR a dioptre; here a simple astigmatism left uncorrected."""
    lost = Eye.of(0, cylinder, 90).acuity(Lens.of(0))
    assert lost / -cylinder == pytest.approx(0.2, abs=0.05)


def test_three_clicks_of_plus_take_the_best_line_away() -> None:
    """Common practice, no source: from a correct sphere 20/20 is lost at the third click. 1.5 lines below is
    lost."""
    eye = Eye.of(-2)
    lost = [eye.acuity(Lens.of(-2 + clicks * 0.25)) > 1.5 * LINE for clicks in range(5)]
    assert lost == [False, False, False, True, True]


def test_a_poor_eye_needs_a_dioptre_where_a_good_one_needs_a_click() -> None:
    """Common practice, no source: a 20/100 eye just notices 1.00 D either side."""
    good, poor = Eye.of(0), Eye.of(0, best_logmar=math.log10(5))
    gain_good = good.perceived(Lens.of(0.25)) - good.perceived(Lens.of(0))
    gain_poor = poor.perceived(Lens.of(1.0)) - poor.perceived(Lens.of(0))
    assert gain_poor == pytest.approx(gain_good, rel=0.1)
    assert poor.acuity(Lens.of(1.0)) - poor.best_logmar < LINE


class TestAccommodation:
    """An eye can add plus, never take it away; Hofstetter's mean amplitude at 20 is 18.5 - 0.3 * 20 = 12.5
    D."""

    def test_clears_too_much_minus_up_to_its_amplitude(self) -> None:
        eye = Eye.of(-1, age=20)
        assert eye.blur(Lens.of(-3)) == 0
        assert eye.effort(Lens.of(-3)) == 2
        assert eye.blur(Lens.of(-14)) == pytest.approx(0.5)
        assert eye.effort(Lens.of(-14)) == 12.5

    def test_clears_a_young_hyperope(self) -> None:
        assert Eye.of(3, age=20).acuity(Lens.of(0)) == 0
        assert Eye.of(3, age=70).blur(Lens.of(0)) == 3

    def test_does_nothing_against_fog(self) -> None:
        eye = Eye.of(-1, age=20)
        assert eye.blur(Lens.of(0)) == 1
        assert eye.effort(Lens.of(0)) == 0

    def test_leaves_astigmatism(self) -> None:
        eye = Eye.of(-1, -2, 30, age=20)
        assert eye.blur(Lens.of(-4)) == pytest.approx(1.0)
        residual = eye.residual(Lens.of(-4))
        assert residual.m == 0
        assert residual.astigmatism == pytest.approx(1.0)

    @given(lenses, refractions, st.integers(10, 90))
    def test_never_makes_it_worse(self, lens: Lens, need: tuple[float, float, float], age: int) -> None:
        assert Eye.of(*need, age=age).blur(lens) <= Eye.of(*need).blur(lens) + 1e-12


@given(lenses, refractions, st.floats(0, 10))
def test_blur_agrees_with_a_second_formula(lens: Lens, need: tuple[float, float, float], focus: float) -> None:
    """C0 = C cos 2a, C45 = C sin 2a (T. Olsen, J Cataract Refract Surg, letter), cross cylinder included."""
    other = ForeignPatient(Rules(focus=focus), (*need, 0.0), (*need, 0.0))
    ours = Eye(PowerVector.of(*need), focus).blur(lens)
    assert ours == pytest.approx(other.blur("right", lens_json(lens)), abs=1e-9)


def test_a_line_is_read_when_half_its_letters_are() -> None:
    assert smallest_line(0.0) == "20/20"
    assert smallest_line(0.04) == "20/20"  # two letters short of the line
    assert smallest_line(0.06) == "20/25"  # three letters short
    assert smallest_line(1.3) == "20/400"
    assert smallest_line(1.4) is None


@pytest.mark.parametrize(
    ("field", "change"),
    [
        ("correction", {"correction": PowerVector(math.nan, 0, 0)}),
        ("correction", {"correction": PowerVector(0, math.inf, 0)}),
        ("accommodation", {"accommodation": -0.5}),
        ("accommodation", {"accommodation": math.nan}),
        ("best_logmar", {"best_logmar": 3.0}),
        ("pupil_mm", {"pupil_mm": 0.0}),
    ],
)
def test_an_eye_that_cannot_be_names_the_field(field: str, change: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=rf"^{field}: "):
        Eye(**({"correction": PowerVector(0, 0, 0)} | change))
