from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.optics.lens import CrossCylinder, Lens, LensError
from assistant.optics.power_vector import PowerVector
from assistant.optics.transpose import PlusCylinderForm, signed, to_minus, to_plus, written

from .prescriptions import close, quarter_lenses


@pytest.mark.parametrize(
    "minus, plus",
    # National Federation of Opticianry Schools OPT11 8c, and teaching pages
    [
        ((1.50, -0.50, 125), (1.00, 0.50, 35)),
        ((-1.00, -2.00, 120), (-3.00, 2.00, 30)),
        ((-3.00, -2.00, 30), (-5.00, 2.00, 120)),
        ((2.50, -1.50, 170), (1.00, 1.50, 80)),
        ((-1.75, -1.25, 60), (-3.00, 1.25, 150)),
        ((1.75, -3.25, 40), (-1.50, 3.25, 130)),
        ((3.00, -1.00, 180), (2.00, 1.00, 90)),
        ((3.00, -2.00, 180), (1.00, 2.00, 90)),
    ],
)
def test_published_transpositions(minus: tuple[float, float, int], plus: tuple[float, float, int]) -> None:
    lens = Lens.of(*minus)
    form = PlusCylinderForm(round(plus[0] * 100), round(plus[1] * 100), plus[2])
    assert to_plus(lens) == form
    assert to_minus(form) == lens
    assert close(lens.vector, PowerVector.of(*plus))


@given(quarter_lenses, st.sampled_from([None, CrossCylinder(25, 45)]))
def test_transposing_twice_changes_nothing(lens: Lens, cross: CrossCylinder | None) -> None:
    lens = lens.with_cross(cross)
    form = to_plus(lens)
    assert to_minus(form) == lens
    assert to_plus(to_minus(form)) == form
    bare = lens.with_cross(None).vector
    assert close(bare, PowerVector.of(form.sphere / 100, form.cylinder / 100, form.axis))


@pytest.mark.parametrize(
    "make, names",
    [
        (lambda: PlusCylinderForm(0, -25), "cylinder: -0.25"),
        (lambda: PlusCylinderForm(0, 2001), "cylinder: +20.01"),
        (lambda: PlusCylinderForm(0, 25, 0), "axis: 0"),
        (lambda: PlusCylinderForm(0, 25, 181), "axis: 181"),
        (lambda: PlusCylinderForm(4000, 25), "sphere: +40.00 with cylinder +0.25"),
        (lambda: PlusCylinderForm(-6000, 25), "sphere: -60.00"),
        (lambda: PlusCylinderForm(0.5), "sphere: 0.5"),
        (lambda: PlusCylinderForm(0, 0.5), "cylinder: 0.5"),
        (lambda: PlusCylinderForm(0, 25, 1.0), "axis: 1.0"),
        (lambda: PlusCylinderForm(0, 25, 90, 45), "cross cylinder: 45"),
    ],
)
def test_an_invalid_plus_form_cannot_exist(make, names) -> None:
    with pytest.raises(LensError, match=re.escape(names)):
        make()


@given(st.integers(-4000, 4000), st.integers(-2000, 0), st.integers(1, 180))
def test_every_lens_has_a_plus_form(sphere: int, cylinder: int, axis: int) -> None:
    assert to_minus(to_plus(Lens(sphere, cylinder, axis))) == Lens(sphere, cylinder, axis)


@pytest.mark.parametrize(
    "lens, words",
    # NFOS OPT11 9a: every power signed, three-digit axis, no degree sign, zero cylinder left off.
    # "plano" for a zero sphere: common practice, no source.
    [
        (Lens(-200, -100, 90), "-2.00 -1.00 x 090"),
        (to_plus(Lens(-200, -100, 90)), "-3.00 +1.00 x 180"),
        (Lens(150, -50, 5), "+1.50 -0.50 x 005"),
        (Lens(-325), "-3.25"),
        (Lens(25, 0, 90), "+0.25"),
        (Lens(0, -75, 180), "plano -0.75 x 180"),
        (Lens(0), "plano"),
        (Lens(-12, -37, 45), "-0.12 -0.37 x 045"),
        (Lens(-200, -100, 90, CrossCylinder(25, 45)), "-2.00 -1.00 x 090"),
    ],
)
def test_written_as_the_trade_writes(lens: Lens | PlusCylinderForm, words: str) -> None:
    assert written(lens) == words


@given(quarter_lenses)
def test_what_is_written_can_be_read_again(lens: Lens) -> None:
    for form in (lens, to_plus(lens)):
        match = re.fullmatch(r"(plano|[+-]\d+\.\d\d)(?: ([+-]\d+\.\d\d) x (\d{3}))?", written(form))
        assert match is not None
        assert (0 if match[1] == "plano" else round(float(match[1]) * 100)) == form.sphere
        assert (match[2] is None) == (form.cylinder == 0)
        if match[2]:
            assert (round(float(match[2]) * 100), int(match[3])) == (form.cylinder, form.axis)


def test_powers_are_always_signed() -> None:
    assert [signed(p) for p in (-225, 50, 12, -5, 0)] == ["-2.25", "+0.50", "+0.12", "-0.05", "+0.00"]
