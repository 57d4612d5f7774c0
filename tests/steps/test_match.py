from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from layerblend.errors import ArgumentError, InputError
from layerblend.kinds import FrameInfo, FrameMeasure, FrameRow, FrameTable
from layerblend.maths.surface import term_count, terms_at
from layerblend.steps import match

H, W = 200, 300


def info(name, *, exposure=60.0):
    return FrameInfo(Path(name), 0, H, W, 3, True, 16, 1.0, 32768.0, None, 2880, False, 65535.0, exposure, None, None)


def row(
    name, *, bright=1.0, plane=(0.0, 0.0, 0.0), stars=60, noise=1e-4, fwhm=3.0, exposure=60.0, snr=50.0, seed=0, outliers=0.0, shift=(0, 0)
):
    """A frame `bright` times the reference's light, with the sky c0 + cx u + cy v, target and stars shared by all."""
    rng = np.random.default_rng(seed)
    place = np.random.default_rng(99)
    x, y, flux = place.uniform(0, W, stars), place.uniform(0, H, stars), np.geomspace(1e-3, 1, stars)
    error = 2 * np.sqrt(np.pi) * noise * fwhm / 2.3548
    listed = np.column_stack([x + shift[0], y + shift[1], bright * flux + rng.normal(0, error, stars), flux])
    listed[rng.random(stars) < outliers, 2] *= 3
    listed[:, :2] += rng.normal(0, 0.05, (stars, 2))
    ny, nx = -(-H // 16), -(-W // 16)
    v, u = np.mgrid[0:ny, 0:nx]
    v, u = ((a * 16 + np.minimum(a * 16 + 16, n) - 1) / (n - 1) - 1 for a, n in ((v, H), (u, W)))
    target = 0.05 * np.exp(-(u**2 + v**2) * 8)
    tiles = bright * target + plane[0] + plane[1] * u + plane[2] * v + rng.normal(0, noise / 16, (ny, nx))
    tiles = np.repeat(tiles[..., None], 3, 2).astype(np.float32)
    measure = FrameMeasure(
        *(stars, fwhm, fwhm, 0.0, 0.0, 3.0, (plane[0],) * 3, noise, (noise,) * 3, listed.astype(np.float32), tiles), tile_px=16
    )
    return FrameRow(
        *(name, Path(name), info(name, exposure=exposure), measure, stars, fwhm, fwhm, 0.0, 0.0, *(plane[0],) * 3, noise, snr, 1.0),
        *(1 / bright, "", exposure),
    )


def test_brightness_is_found_within_half_a_percent():
    frames = [row("ref", seed=1), *(row(f"f{b}", bright=b, seed=i, outliers=0.1) for i, b in enumerate((0.4, 0.75, 1.0, 3.2)))]
    found = match.match_frames(frames, 0)
    np.testing.assert_allclose(found.scale, 1 / np.array([1, 0.4, 0.75, 1.0, 3.2]), rtol=0.005)
    assert (found.stars >= 50).all()
    np.testing.assert_allclose(found.noise, 1e-4 * found.scale)


def test_the_scaled_sky_is_brought_to_the_references():
    plane = np.array([0.02, 0.004, -0.003])
    frames = [row("ref", plane=(0.01, 0.001, 0.002), seed=1), row("f", bright=0.5, plane=plane, seed=2)]
    found = match.match_frames(frames, 0)
    expected = plane / 0.5 - [0.01, 0.001, 0.002]
    np.testing.assert_allclose(found.planes[1, :, :3], np.tile(expected, (3, 1)), atol=5e-5)
    assert (found.planes[1, :, 3:] == 0).all()  # nothing bends
    offset = match.match_frames(frames, 0, level_sky="offset").planes[1]
    assert (offset[:, 1:] == 0).all()
    np.testing.assert_allclose(offset[:, 0], expected[0], atol=5e-4)  # the tilt shows a little
    assert (match.match_frames(frames, 0, level_sky="off").planes == 0).all()


def test_a_sky_that_bends_otherwise_than_the_references_is_brought_to_it() -> None:
    """As moonlight and errors of the flat field bend it from night to night; over a part of the picture only a plane is trusted."""
    frames = [row("ref", seed=1), row("f", bright=0.5, plane=(0.02, 0.004, -0.003), seed=2)]
    v, u = match.tile_centres(frames[1])
    bent = 0.006 * u * u - 0.004 * u * v + 0.002 * v * v
    tiles = frames[1].measure.tiles + bent[..., None].astype(np.float32)
    frames[1] = replace(frames[1], measure=replace(frames[1].measure, tiles=tiles))
    expected = np.tile([0.04, 0.008, -0.006, 0.012, -0.008, 0.004, *[0] * 9], (3, 1))
    np.testing.assert_allclose(match.match_frames(frames, 0).planes[1], expected, atol=1e-4)
    tiles[:, tiles.shape[1] // 2 :] = np.nan
    assert (match.match_frames(frames, 0).planes[1, :, 3:] == 0).all()


def test_moonlight_near_the_frame_bends_a_sky_as_far_as_the_fourth_degree() -> None:
    """A glow that falls by e over a third of the width; what a parabola leaves of it is many times what stays."""
    frames = [row("ref", seed=1), row("f", seed=2)]
    v, u = match.tile_centres(frames[1])
    glow = 0.005 * np.exp(-np.hypot(u + 1.2, v + 1.2) / 0.66)
    frames[1] = replace(frames[1], measure=replace(frames[1].measure, tiles=frames[1].measure.tiles + glow[..., None].astype(np.float32)))
    surface = match.match_frames(frames, 0).planes[1, 0]
    left = [
        glow - terms_at(u, v, degree) @ np.linalg.lstsq(terms_at(u, v, degree).reshape(-1, term_count(degree)), glow.ravel())[0]
        for degree in (2, 4)
    ]
    found = terms_at(u, v, 4) @ surface
    assert np.abs(glow - found + np.median(found - glow)).max() < 1.5 * np.abs(left[1]).max() + 3e-5 < 0.5 * np.abs(left[0]).max()


def test_a_cloud_over_a_quarter_of_the_tiles_does_not_tilt_the_plane():
    frames = [row("ref", seed=1), row("f", plane=(0.02, 0.001, 0.0), seed=2)]
    tiles = frames[1].measure.tiles.copy()
    tiles[:6, :8] += 0.01
    frames[1] = replace(frames[1], measure=replace(frames[1].measure, tiles=tiles))
    np.testing.assert_allclose(match.match_frames(frames, 0).planes[1, 0], [0.02, 0.001, 0.0, *[0] * 12], atol=5e-5)


def test_uncovered_tiles_are_left_out():
    frames = [row("ref", seed=1), row("f", plane=(0.02, 0.001, 0.0), seed=2)]
    tiles = frames[1].measure.tiles.copy()
    tiles[:, :9] = np.nan
    frames[1] = replace(frames[1], measure=replace(frames[1].measure, tiles=tiles))
    np.testing.assert_allclose(match.match_frames(frames, 0).planes[1, 0], [0.02, 0.001, 0.0, *[0] * 12], atol=5e-5)


def test_where_tiles_tell_nothing_of_a_tilt_the_sky_is_one_number():
    """Of a frame half as bright: without tiles, with tiles of another size, or covered in one column, which would tilt the other end."""
    ref, frame = row("ref", plane=(0.01, 0.0, 0.0), seed=1), row("f", bright=0.5, plane=(0.02, 0.003, 0.0), seed=2)
    tiles = frame.measure.tiles
    for other in (np.full_like(tiles, np.nan), tiles[:5, :5]):
        changed = replace(frame, measure=replace(frame.measure, tiles=other))
        np.testing.assert_allclose(match.sky_planes(changed, ref, 2.0, tilted=True), np.tile([0.03, *[0] * 14], (3, 1)), atol=1e-9)
    column = np.full_like(tiles, np.nan)
    column[:, 2] = tiles[:, 2]
    planes = match.sky_planes(replace(frame, measure=replace(frame.measure, tiles=column)), ref, 2.0, tilted=True)
    assert (planes[:, 1:] == 0).all() and planes[:, 0] == pytest.approx(0.03 - 0.006 * (1 - 2 * 39.5 / (W - 1)), abs=2e-4)


def test_tile_centres_are_the_mean_places_of_their_pixels():
    """Also of the narrower tiles at the right and lower edge."""
    v, u = match.tile_centres(row("f"))
    x, y = np.linspace(-1, 1, W), np.linspace(-1, 1, H)
    np.testing.assert_allclose(u[0], [x[i : i + 16].mean() for i in range(0, W, 16)])
    np.testing.assert_allclose(v[:, 0], [y[i : i + 16].mean() for i in range(0, H, 16)])


def test_the_flux_ratio_of_two_lists_heeds_neither_neighbours_nor_changed_stars():
    """The second list shows 2.5 times the light; a fifth of its stars are .12 brighter, every star of the first has a ghost beside it."""
    rng = np.random.default_rng(7)
    x, y = np.meshgrid(np.arange(20, 300, 28), np.arange(20, 200, 30))
    fixed = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, 2.5)])
    fixed[:, 2] *= 1 + rng.normal(0, 0.01, x.size)
    fixed[::5, 2] *= 1.12
    mine = np.column_stack([x.ravel(), y.ravel(), np.ones(x.size)])
    ghosts = np.column_stack([mine[:, 0] + 1.5, mine[:, 1], np.full(x.size, 9.0)])
    assert match.flux_ratio(np.concatenate([ghosts, mine]), fixed, reach_px=2.5) == pytest.approx(2.5, rel=0.006)
    assert match.flux_ratio(mine[:4], fixed, reach_px=2.5) == 1.0


def test_too_few_shared_stars_fall_back_on_the_grades_and_say_so():
    frames = [row("ref", bright=1.5, stars=3, seed=1), row("f", bright=0.5, stars=3, seed=2)]
    found = match.match_frames(frames, 0)
    assert found.scale[1] == pytest.approx(3.0)
    assert found.stars[1] == 0
    assert "graded transparency" in found.words[0]


def test_brightness_may_be_left_alone():
    frames = [row("ref", seed=1), row("f", bright=2.0, exposure=120.0, seed=2)]
    found = match.match_frames(frames, 0, match_brightness=False)
    assert (found.scale == 1).all()
    assert "different exposure" in found.words[0]


def test_the_reference_is_the_best_snr_of_the_sharper_half():
    rows = [row(f"f{i}", fwhm=2 + i, snr=s) for i, s in enumerate((10.0, 30.0, 20.0, 99.0, 50.0))]
    table = FrameTable((*rows, replace(row("bad", snr=999.0), excluded="clouds")))
    assert match.choose_reference(table) == 1
    small = replace(rows[1], measure=replace(rows[1].measure, covered=0.5))
    assert match.choose_reference(FrameTable((rows[0], small, *rows[2:]))) == 2
    with pytest.raises(InputError, match=r"every frame is excluded \(f\d: clouds\)"):
        match.choose_reference(FrameTable((replace(rows[0], excluded="clouds"),)))


@pytest.mark.parametrize("first", [True, False])
def test_a_frame_without_snr_is_no_reference_however_sharp(first):
    """A frame of another field shares no stars, so that its SNR is not known: as the reference it would put all others out of place."""
    rows = [row(f"f{i}", fwhm=3 + i, snr=s) for i, s in enumerate((20.0, 30.0, 40.0))]
    other = row("other", fwhm=2.0, snr=np.nan)
    table = FrameTable((other, *rows) if first else (*rows, other))
    assert table[match.choose_reference(table)].file == "f1"
    unknown = FrameTable(tuple(replace(one, snr=np.nan, fwhm_major=width) for one, width in zip(rows, (np.nan, 2.0, 4.0), strict=True)))
    assert match.choose_reference(unknown) == 1
    twins = FrameTable((row("a", snr=9.0), row("b", snr=9.0), row("c", snr=9.0)))
    assert match.choose_reference(twins) == 0


def test_turned_and_shifted_frames_are_told_from_registered_ones():
    ref, turned = row("ref", seed=1), row("turned", seed=2)
    stars = turned.measure.star_list.copy()
    stars[:, 0], stars[:, 1] = W - 1 - stars[:, 0], H - 1 - stars[:, 1]
    turned = replace(turned, measure=replace(turned.measure, star_list=stars))
    found = match.match_frames([ref, turned, row("shifted", shift=(12, -9), seed=3), row("good", shift=(0.8, 0.5), seed=4)], 0)
    assert found.misplaced[0] == found.misplaced[3] == ""
    assert "180 degrees" in found.misplaced[1]
    assert "register it again" in found.misplaced[2]


def test_weights():
    rows = [row(f"f{i}", noise=n, fwhm=f, seed=i) for i, (n, f) in enumerate(((1e-4, 2.0), (2e-4, 2.0), (1e-4, 4.0)))]
    found = match.match_frames(rows, 0, match_brightness=False)
    fwhm = [2.0, 2.0, 4.0]
    assert np.array_equal(match.frame_weights(found, fwhm, weights="equal"), [1, 1, 1])
    np.testing.assert_allclose(match.frame_weights(found, fwhm), np.array([1, 0.25, 1]) / 0.75)
    np.testing.assert_allclose(match.frame_weights(found, fwhm, weights="sharpness"), np.array([1, 0.25, 0.25]) / 0.5)
    np.testing.assert_allclose(match.frame_weights(found, fwhm, weights="sharpness", power=0), match.frame_weights(found, fwhm))
    with pytest.raises(ArgumentError, match="weights"):
        match.frame_weights(found, fwhm, weights="best")


def test_noise_weights_reach_the_best_possible_noise():
    """Inverse-variance weights give the mean of least variance, 1 / sum(1/s^2) (Gauss-Markov); bar: within 1.02."""
    noise = np.random.default_rng(0).uniform(1, 5, 40)
    found = match.Matching(0, np.ones(40), np.zeros((40, 1, 3)), noise, np.zeros(40, int))
    w = match.frame_weights(found, np.full(40, 3.0))
    assert np.sqrt((w**2 * noise**2).sum()) / w.sum() == pytest.approx((1 / noise**2).sum() ** -0.5, rel=1e-9)


def test_unknown_noise_counts_as_ordinary():
    np.testing.assert_allclose(match.relative_noise(np.array([2.0, np.nan, 4.0, 0.0])), [2 / 3, 1, 4 / 3, 1])
    assert (match.relative_noise(np.full(3, np.nan)) == 1).all()


def test_wrong_mode_is_refused():
    with pytest.raises(ArgumentError, match="level_sky"):
        match.match_frames([row("a")], 0, level_sky="curve")
