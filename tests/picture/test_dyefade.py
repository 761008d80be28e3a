"""Faded dyes undone: the correction's arithmetic, and drawn fades against their truth."""

from pathlib import Path

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.border_length import LengthBorder
from smallgauge.picture.dyefade import (
    FadeCorrection,
    FadingDecision,
    Picks,
    apply_dyefade,
    polynomial_terms,
    propose_fading,
    solve_dyefade,
)
from smallgauge.picture.dyes import band_density, likely_dyes


def linear_rows(matrix: np.ndarray, offset: np.ndarray) -> tuple[tuple[float, ...], ...]:
    """Ten coefficients a row of a matrix and an offset."""
    return tuple((float(o), *map(float, row), *([0.0] * 6)) for row, o in zip(matrix, offset))


def test_correction_is_the_matrix_formula() -> None:
    """D = Dmin + A K^-1 A^-1 (D' - Dmin'), written out with NumPy's own solver."""
    rng = np.random.default_rng(1)
    a = np.array([[0.98, 0.10, 0.0], [0.14, 0.78, 0.13], [0.10, 0.16, 0.78]])
    k, clear, stained = np.array([0.5, 0.9, 0.7]), np.array([0.15, 0.16, 0.18]), np.array([0.15, 0.17, 0.25])
    density = rng.uniform(0.2, 2.5, (50, 3))
    expected = clear + (a @ (np.linalg.solve(a, (density - stained).T) / k[:, None])).T
    correction = FadeCorrection(
        before=linear_rows(np.linalg.inv(a), -np.linalg.solve(a, stained)),
        gain=tuple(1.0 / k),
        after=linear_rows(a, clear),
    )
    assert correction.linear
    assert np.abs(apply_dyefade(density, correction) - expected).max() < 1e-12


def test_squares_and_products_count() -> None:
    before = np.zeros((3, 10))
    before[0, 7] = 1.0  # cyan = r * g
    after = np.zeros((3, 10))
    after[2, 4] = 1.0  # blue = cyan squared
    correction = FadeCorrection(
        before=tuple(map(tuple, before)), gain=(2.0, 1.0, 1.0), after=tuple(map(tuple, after))
    )
    assert not correction.linear
    assert np.allclose(apply_dyefade(np.array([0.5, 3.0, 9.0]), correction), [0.0, 0.0, 9.0])


def test_nan_stays_in_its_pixel() -> None:
    density = np.ones((2, 3))
    density[0, 1] = np.nan
    same = linear_rows(np.eye(3), np.zeros(3))
    out = apply_dyefade(density, FadeCorrection(before=same, gain=(1.0, 1.0, 1.0), after=same))
    assert np.isnan(out[0]).any() and np.array_equal(out[1], density[1])


def test_other_shapes_are_refused() -> None:
    with pytest.raises(CallerError, match="last axis holds 3 channels"):
        polynomial_terms(np.zeros((3, 4)))


# Film drawn from its spectra (picture/synthetic_dyes.py) by the benchmark, whose dyes the corrector does not know.


def differences(**changes):
    """Mean CIEDE2000 untreated, as corrected, and between the two, with the decision's shares."""
    pytest.importorskip("benchmarks.fading", reason="left out: colour-science is not installed")
    from benchmarks.fading import Case, compare

    found = compare(Case(**changes), baselines=False)
    means = [float(found[name].mean()) for name in ("untreated", "ours", "change")]
    return (*means, float(np.percentile(found["ours"], 95)), found["left"])


@pytest.mark.parametrize(
    ("dyes", "light", "content", "cast", "limit"),
    [
        ("first", "narrow", "foliage", "red", 2.0),
        ("second", "narrow", "neutral", "blue", 4.0),
        ("first", "broad", "tungsten interior", "red", 5.0),
        ("second", "broad", "neutral", "blue", 5.0),
    ],
)
def test_faded_film_comes_near_the_unfaded(dyes, light, content, cast, limit):
    before, after, _, upper, _ = differences(
        dyes=dyes, light=light, content=content, cast=cast, fade="strong"
    )
    assert after <= limit and upper <= 2 * after and after < before / 3


@pytest.mark.parametrize(
    ("dyes", "light", "content", "cast"),
    [
        ("second", "narrow", "tungsten interior", "red"),
        ("third", "narrow", "foliage", "none"),
        ("second", "broad", "neutral", "blue"),
        ("third", "broad", "foliage", "red"),
    ],
)
def test_unfaded_film_is_left_alone_whatever_its_content(dyes, light, content, cast):
    _, _, change, _, left = differences(dyes=dyes, light=light, content=content, cast=cast, fade="none")
    assert change <= 0.5, left


def length_border(density, **changes):
    """A border as read, without noise to speak of."""
    values = {
        "state": "measured",
        "density": density,
        "sigma": (0.005,) * 3,
        "limited": (False,) * 3,
        "clear": (0.15, 0.15, 0.16),
        "clear_sigma": 0.02,
        "clear_seen": True,
        "frames": 50,
        "fogged": 0,
    }
    return LengthBorder(**{**values, **changes})


def test_shares_are_drawn_towards_one_without_a_step():
    """The less the border's red differs from the others, the nearer cyan's share lies to 1, smoothly."""
    red = np.linspace(3.0, 1.5, 31)
    left = np.array([propose_fading(length_border((r, 3.0, 3.0)), light="narrow")[0].left[0] for r in red])
    step = -np.diff(left)
    assert left[0] > 0.99 and left[-1] < 0.6
    assert (step > -0.005).all() and step.max() < 0.12
    assert (step[:2] < 0.02).all()  # a difference within a stock's own is left nearly alone


def test_a_layer_at_the_scanner_s_limit_makes_a_proposal_that_waits():
    border = length_border((1.5, 2.3, 2.1), limited=(False, True, True))
    fading, why = propose_fading(border, light="narrow")
    assert not fading.sure and fading.source == ("border", "lower limit", "lower limit")
    assert "magenta, yellow: at least so much" in why
    scenes = [((0.8, 1.2, 1.1), (1.3, 2.2, 2.0))] * 8
    more, _ = propose_fading(border, light="narrow", statistics=scenes)
    assert not more.sure and more.source[1] == "lower limit"
    assert (
        more.left[0] <= fading.left[0] + 0.02
    )  # the others are denser than the limit, so cyan has lost more


def test_no_evidence_leaves_the_film_alone():
    nothing = length_border((np.nan,) * 3, state="disagrees")
    fading, why = propose_fading(nothing, light="narrow")
    assert fading.left == (1.0, 1.0, 1.0) and not fading.sure and fading.border is None
    assert "no evidence: disagrees" in why


def test_grey_picks_serve_where_the_border_does_not():
    """Greys of faded film at three levels, nothing of the border: shares up to the level that all layers share."""
    clear, k = np.array([0.15, 0.15, 0.16]), np.array([0.5, 0.95, 0.75])
    amounts = np.array([[0.6], [1.1], [1.8]]) * k
    density = clear + band_density(amounts, likely_dyes().curves[0], "narrow")
    nothing = length_border((np.nan,) * 3, state="not seen")
    fading, _ = propose_fading(nothing, light="narrow", picks=Picks(grey=tuple(map(tuple, density))))
    assert fading.sure and fading.source == ("picks",) * 3
    assert fading.left[0] / fading.left[1] == pytest.approx(k[0] / k[1], rel=0.12)
    assert fading.left[2] / fading.left[1] == pytest.approx(k[2] / k[1], rel=0.12)


def test_a_stated_stock_tells_what_all_layers_lost():
    black = band_density(np.full(3, 2.9 * 0.7), likely_dyes().curves[0], "narrow")
    border = length_border(tuple(np.array([0.15, 0.15, 0.16]) + black))
    assert (
        min(propose_fading(border, light="narrow")[0].left) > 0.85
    )  # alike in all layers: it may be the stock
    stated, _ = propose_fading(border, light="narrow", stock_amount=2.9)
    assert np.abs(np.array(stated.left) - 0.7).max() < 0.04


@pytest.mark.parametrize("light", ["narrow", "broad"])
def test_correction_of_unfaded_film_changes_nothing(light):
    same = FadingDecision(
        light=light,
        left=(1.0,) * 3,
        sigma=None,
        source=("border",) * 3,
        clear=(0.15,) * 3,
        base=(0.15,) * 3,
        border=None,
    )
    grey = np.linspace(0.2, 2.8, 40)[:, None] + np.array([0.0, 0.05, -0.03])
    assert np.abs(apply_dyefade(grey, solve_dyefade(same)) - grey).max() < 0.001  # of the guard


def of_typical_dyes(left, light="broad"):
    """A decision on film of the typical dyes whose black was even."""
    curves = likely_dyes().curves[0]
    border = 0.15 + band_density(2.9 * np.array(left), curves, light)
    return FadingDecision(
        light=light,
        left=left,
        sigma=None,
        source=("border",) * 3,
        clear=(0.15,) * 3,
        base=(0.15,) * 3,
        border=tuple(border),
    )


@pytest.mark.parametrize("light", ["narrow", "broad"])
@pytest.mark.parametrize(("left", "limit"), [((0.65, 0.95, 0.82), 0.02), ((0.2, 0.95, 0.8), 0.06)])
def test_known_shares_bring_the_densities_back(light, left, limit):
    """Greys and near greys, against the same dyes unfaded: root mean square, up to four fifths of cyan lost."""
    rng = np.random.default_rng(3)
    grey = rng.uniform(0.0, 2.9, (300, 1))
    amounts = np.clip(grey + rng.normal(0.0, 0.3, (300, 3)) * np.minimum(grey, 1.0), 0.0, 2.9)
    curves = likely_dyes().curves[0]
    faded = 0.15 + band_density(amounts * left, curves, light)
    wanted = 0.15 + band_density(amounts, curves, light)
    found = apply_dyefade(faded, solve_dyefade(of_typical_dyes(left, light)))
    assert np.sqrt(np.square(found - wanted).mean(axis=0)).max() < limit


@pytest.mark.parametrize("left", [(0.45, 0.85, 0.65), (0.2, 0.95, 0.8), (0.5, 0.5, 0.5), (0.17, 0.17, 0.17)])
def test_what_is_opaque_stays_dark(left):
    """Dust on clear film and on dense film: the polynomials must not turn it into light."""
    correction = solve_dyefade(of_typical_dyes(left))
    black = np.array(of_typical_dyes(left).border)
    for film in (np.full(3, 0.15), black):
        dusty = film + np.linspace(0.0, 1.0, 12)[:, None] * (3.2 - film)
        found = apply_dyefade(dusty, correction)
        assert (found[-1] > 2.0).all()
        assert (np.diff(found, axis=0) > -0.35).all()


def test_the_correction_grows_with_the_loss_without_a_step():
    grey = np.linspace(0.2, 2.0, 10)[:, None] * np.ones(3)
    out = np.array(
        [
            apply_dyefade(grey, solve_dyefade(of_typical_dyes((1.0 - lost, 1.0, 1.0))))
            for lost in np.linspace(0.0, 0.2, 8)
        ]
    )
    assert np.abs(np.diff(out, axis=0)).max() < 0.11


def test_a_clean_base_speaks_against_fading():
    """The same border, so light a fading that dyes could be it: with a clean base it is less likely."""
    border = length_border((2.3, 2.75, 2.7))
    stained = length_border((2.3, 2.75, 2.8), clear=(0.15, 0.15, 0.26))
    fresh, aged = (propose_fading(each, light="broad")[0].left for each in (border, stained))
    assert aged[0] < fresh[0] - 0.02


@pytest.mark.parametrize("dyes", ["first", "second"])
def test_a_stock_whose_new_base_is_yellow_is_left_alone(monkeypatch, dyes):
    pytest.importorskip("benchmarks.fading", reason="left out: colour-science is not installed")
    from benchmarks import fading

    monkeypatch.setitem(fading.STAINS, "none", 0.08)
    for light in ("narrow", "broad"):
        _, _, change, _, left = differences(dyes=dyes, light=light, cast="blue", fade="none")
        assert change <= 0.5, left


def test_shares_that_cannot_be_are_refused():
    wrong = FadingDecision(
        light="narrow",
        left=(0.0, 1.0, 1.0),
        sigma=None,
        source=("m.k.",) * 3,
        clear=(0.1,) * 3,
        base=(0.1,) * 3,
        border=None,
    )
    with pytest.raises(CallerError, match="share above 0"):
        solve_dyefade(wrong)


def test_the_shared_specimen_without_an_operator():
    """One constant exposure removed, against its unfaded frames; the scanner's light taken for BT.709's."""
    folder = Path(__file__).parents[2].parent / "shared" / "specimens" / "super8-faded"
    if not folder.is_dir():
        pytest.skip("left out: the specimen super8-faded is not at ../shared/specimens")
    pytest.importorskip("benchmarks.fading", reason="left out: colour-science is not installed")
    from benchmarks.fading import specimen_differences

    _, found = specimen_differences(folder, baselines=False)
    assert found["corrected"].mean() <= 4.0 < found["untreated"].mean()
    assert np.percentile(found["corrected"], 95) <= 2 * found["corrected"].mean()
