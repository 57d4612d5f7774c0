"""Stacks against programs and figures from outside, and against known truth, from frames on disk to the finished file."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.convolution import convolve
from astropy.io import fits
from astropy.nddata import CCDData
from astropy.stats import mad_std, sigma_clip
from ccdproc import Combiner
from photutils.aperture import CircularAnnulus, CircularAperture, aperture_photometry
from scipy.ndimage import shift

from layerblend.files.frames import open_frame, read_image
from layerblend.kinds import FrameTable
from layerblend.stacking import build_stacks, nested_stacks, read_report
from layerblend.steps import match
from layerblend.steps import stack as step
from layerblend.steps.grade import grade_frame, grade_table
from layerblend.steps.rank import rank_frames
from tests.scenes.frames import WHITE, simulate, true_table, write_frames
from tests.scenes.rows import make_case, run

DECAM = Path(__file__).parents[1] / "data" / "decam_ten_exposures"


def graded(scene):
    infos = [open_frame(path, white_level=WHITE) for path in scene.paths]
    return rank_frames(grade_table(infos, [grade_frame(read_image(info)) for info in infos]))


def numbers(table):
    """Which simulated frame each row is."""
    return [int(row.file.removeprefix("frame").split(".")[0]) for row in table.used]


def stacked(scene, folder, table=None, specs=("all",), **options):
    """The stack of all frames, its report, and the clean light that it should show, all linear."""
    write_frames(scene, folder / "frames")
    table = true_table(scene) if table is None else table
    found = nested_stacks(table, dict.fromkeys(specs, 1.0), folder=folder / "out", **options)
    report = read_report(folder / "out")
    order = numbers(table)
    reference = order[[row.file for row in table.used].index(report.reference)]
    bright = scene.transparency * scene.exposure
    target = (scene.matched - scene.skies[0])[order] * (bright[reference] / bright[0])
    truth = (np.average(target, axis=0, weights=found["all"].weights) + scene.skies[reference]) / WHITE
    return found["all"], report, truth if truth.shape[2] == 3 else truth[..., 0]


# ---------------------------------------------------------------- other programs
@pytest.mark.parametrize("n", [6, 15, 40])
def test_rejects_what_astropy_and_ccdproc_reject_with_the_same_thresholds(n):
    """astropy.stats.sigma_clip and ccdproc.Combiner, median and MAD, once; the stratum terms (floor, tolerance, noise) switched off."""
    raw, order, gaps, values = make_case(11, n, counts=(n,), uneven=False, width=200)
    one = step.Strata(np.arange(n), np.array([0, n]), np.zeros(1, np.float32))
    out, _ = run(raw, replace(order, strata=one, floor=np.zeros(1)), gaps)
    kappa = 3 * (1 + 0.8 / n)
    clipped = sigma_clip(values.astype(float), sigma=kappa, maxiters=1, cenfunc="median", stdfunc=mad_std, axis=0)
    assert np.array_equal(out.count[0].ravel(), n - np.ma.getmaskarray(clipped).sum(0))
    np.testing.assert_allclose(out.mean[0].ravel(), clipped.mean(0), rtol=2e-6)
    combiner = Combiner([CCDData(frame.astype(float), unit="adu") for frame in values.reshape(n, 3, 200)])
    combiner.sigma_clipping(low_thresh=kappa, high_thresh=kappa, func="median", dev_func=mad_std)
    np.testing.assert_allclose(out.mean[0], combiner.average_combine().data, rtol=2e-6)


@pytest.mark.parametrize("night", ["04", "18"])
def test_published_median_stacks_of_decam_exposures(tmp_path, night):
    """With the narrowest rejection only the middle of five values is left, so the stack is the median that the authors published."""
    frames = [fits.getdata(DECAM / f"DEC-OBS{night}a.mini.fits.gz")]
    for letter in "bcde":
        kernel = fits.getdata(DECAM / f"DEC-OBS{night}{letter}.MatchKernel.fits.gz")
        frame = fits.getdata(DECAM / f"DEC-OBS{night}{letter}.mini.fits.gz")
        frames.append(convolve(frame, kernel, boundary="extend", normalize_kernel=False))
    scene = simulate(5, shape=(256, 256), channels=1, fwhm=(3.0, 3.1), seed=1, stars=3)
    scene.frames = np.stack(frames)[..., None]
    write_frames(scene, tmp_path, dtype="float64")
    stack = nested_stacks(true_table(scene, white=60000.0), {"all": 1.0}, reject=1e-6, match_brightness=False, level_sky="off")["all"]
    published = fits.getdata(DECAM / f"Stack-DEC-OBS{night}.fits.gz")
    np.testing.assert_allclose(stack.mean * 60000.0, published, rtol=1e-6, atol=2e-4)


# ---------------------------------------------------------------- laws
def test_star_light_is_the_mean_of_the_frames_light(tmp_path):
    """Aperture photometry (photutils) of the stack against the weighted mean of the same in its frames."""
    scene = simulate(16, shape=(150, 200), channels=1, stars=8, trails=0.3, rays=20, seed=3, galaxy=0, transparency=1.0)
    stack, report, _ = stacked(scene, tmp_path)
    places = scene.stars[scene.stars[:, 2] > 2e4, :2]
    places = places[(places > 20).all(1) & (places < [180, 130]).all(1)]

    def light(image):
        rings, circles = CircularAnnulus(places, 12, 16), CircularAperture(places, 9)
        sky = [np.median(image[ring.to_image(image.shape) > 0.5]) for ring in rings.to_mask(method="center")]
        return np.array(aperture_photometry(image, circles)["aperture_sum"]) - circles.area * np.array(sky)

    scale = np.array([frame["scale"] for frame in report.frames])
    single = np.array([light(frame[..., 0].astype(float)) * s for frame, s in zip(scene.clean / WHITE, scale, strict=True)])
    expected = np.average(single, axis=0, weights=stack.weights)
    assert len(places) >= 2
    np.testing.assert_allclose(light(stack.mean.astype(float)), expected, rtol=0.01)
    assert np.median(light(stack.mean.astype(float)) / expected) == pytest.approx(1, abs=0.003)


def test_noise_falls_with_the_root_of_the_number_of_frames(tmp_path):
    """The law of the mean: 1/sqrt N; and the error map tells the same."""
    noise = {}
    for n in (9, 36):
        scene = simulate(n, shape=(120, 150), channels=1, stars=0, galaxy=0, seed=n, transparency=1.0, tilt=0.0)
        scene.frames += np.random.default_rng(n).normal(0, 1, scene.frames.shape).astype(np.float32)
        stack, _, truth = stacked(scene, tmp_path / str(n), match_brightness=False)
        error = stack.mean - truth
        sigma = np.sqrt(scene.sigma**2 + 1) / WHITE
        noise[n] = error.std() / (1 / np.sqrt((1 / sigma**2).sum()))
        assert np.sqrt(np.mean(stack.stderr**2)) == pytest.approx(error.std(), rel=0.04)
    assert noise[9] == pytest.approx(1, abs=0.035)
    assert noise[36] == pytest.approx(1, abs=0.025)


def test_mixed_exposures_reach_the_ideal_noise(tmp_path):
    """Short and long exposures together, whatever the order: at most 1.02 times the inverse-variance mean, nothing of the short lost."""
    exposure = np.where(np.arange(24) % 3 == 0, 60.0, 300.0)
    scene = simulate(24, shape=(150, 200), channels=1, stars=0, galaxy=0, exposure=exposure, sky=300.0, seed=8, trails=0.2, tilt=0.05)
    write_frames(scene, tmp_path / "frames")
    table = true_table(scene)
    bright = scene.transparency * exposure
    table = FrameTable(tuple(replace(row, flux_scale=float(bright[0] / b)) for row, b in zip(table, bright, strict=True)))
    stack, report, truth = stacked(scene, tmp_path, table)
    scale = np.array([frame["scale"] for frame in report.frames])
    clean = ~scene.spoilt.any(0)
    ideal = 1 / np.sqrt((1 / (scene.sigma * scale / WHITE) ** 2).sum())
    assert (stack.mean - truth)[clean].std() <= 1.02 * ideal * 1.01  # and one in a hundred for 20 000 pixels
    share = np.array([frame["rejected"] for frame in report.frames])
    assert np.median(share[exposure == 60]) < 0.005
    assert np.median(share[exposure == 300]) < 0.005


# ---------------------------------------------------------------- what nights bring
def test_borders_leave_no_step(tmp_path):
    """Frames that cover different parts: on both sides of every edge of cover the sky is the same within .3 sigma of the stack."""
    scene = simulate(12, shape=(150, 200), channels=1, stars=0, galaxy=0, borders=20, seed=2, tilt=0.15)
    stack, _, truth = stacked(scene, tmp_path, match_brightness=False)
    error = (stack.mean - truth) / np.median(stack.stderr[30:-30, 30:-30])
    noise2 = 12 / np.maximum(stack.count, 1.0)
    covered = np.isfinite(scene.frames[..., 0])
    steps = []
    for frame in covered:
        rows, columns = np.flatnonzero(frame.any(1)), np.flatnonzero(frame.any(0))
        for edge, axis in ((rows[0], 0), (rows[-1] + 1, 0), (columns[0], 1), (columns[-1] + 1, 1)):
            lines, spread = np.moveaxis(error, axis, 0), np.moveaxis(noise2, axis, 0)
            a, b = slice(edge, edge + 3), slice(max(edge - 3, 0), edge)
            if np.isfinite(lines[a]).any() and np.isfinite(lines[b]).any():
                chance = np.sqrt(sum(spread[part].mean() / np.isfinite(lines[part]).sum() for part in (a, b)))
                steps.append((np.nanmean(lines[a]) - np.nanmean(lines[b])) / (0.3 + 2 * chance))
    assert len(steps) > 20
    assert np.abs(steps).max() < 1


def test_a_trail_over_the_galaxy_leaves_little(tmp_path):
    """On the target itself, where the tolerance is widest: at most .25 sigma of a frame with nine frames, seeing 2.6 to 4 px."""
    scene = simulate(9, shape=(120, 160), channels=1, stars=10, galaxy=1500, seed=6, fwhm=(2.6, 4.0), transparency=0.9)
    yy, xx = np.mgrid[:120, :160]
    trail = 300 * np.exp(-0.5 * ((yy - 54 - 0.1 * (xx - 80)) / 1.5) ** 2)
    scene.frames[4] += trail[..., None].astype(np.float32)
    stack, report, truth = stacked(scene, tmp_path)
    on = (trail > 100) & (np.hypot(xx - 86, (yy - 54) * 1.5) < 25)
    residue = (stack.mean - truth)[on].mean() / (scene.sigma[4] / WHITE)
    assert abs(residue) < 0.25
    shares = [frame["rejected"] for frame in report.frames]
    assert np.argmax(shares) == 4


def test_a_cloudy_frame_is_matched_and_counts_little(tmp_path):
    """A frame with a third of the light and twice the sky: brightness within half a percent, weight as its noise says."""
    scene = simulate(10, shape=(360, 450), channels=1, stars=120, seed=9, transparency=1.0, galaxy=0, star_flux=(2e4, 3e5))
    scene.transparency[6] = 0.33
    light = scene.matched[6] - scene.matched[0] + scene.clean[0]
    cloudy = (light - np.median(light)) * 0.33 + 2500
    rng = np.random.default_rng(0)
    scene.frames[6] = cloudy + rng.normal(size=cloudy.shape) * np.sqrt(64 + cloudy / 1.5)
    scene.sigma[6] = np.sqrt(64 + 2500 / 1.5)
    write_frames(scene, tmp_path)
    table = graded(scene)
    found = match.match_frames(table.used, match.choose_reference(table))
    cloud = numbers(table).index(6)
    assert found.scale[cloud] == pytest.approx(1 / 0.33, rel=0.005)
    weights = match.frame_weights(found, np.array([row.fwhm for row in table.used]))
    assert weights[cloud] < 0.15 * np.median(weights)


def test_resampled_frames_are_judged_by_their_own_scatter(tmp_path):
    """Frames shifted by interpolation have quiet, correlated pixels: rejection must still see them as they are, weights by band."""
    scene = simulate(16, shape=(150, 200), channels=1, stars=10, seed=12, trails=0.3, galaxy=0, transparency=1.0, tilt=0.0)
    rng = np.random.default_rng(1)
    moved = scene.frames.copy()
    for i in range(16):
        moved[i, ..., 0] = shift(scene.frames[i, ..., 0], rng.uniform(0.3, 0.5, 2), order=1, mode="nearest")
        moved[i, ..., 0] = shift(moved[i, ..., 0], -rng.uniform(0.3, 0.5, 2), order=1, mode="nearest")
    scene.frames = moved
    write_frames(scene, tmp_path / "f")
    table = graded(scene)
    paths = build_stacks(table, {"all": 1.0}, folder=tmp_path / "out")
    report = read_report(tmp_path / "out")
    quiet = mad_std(moved[0, ..., 0]) / scene.sigma[0]
    assert quiet < 0.75  # the pixels hide much of the noise
    noise = np.array([frame["noise"] / frame["scale"] for frame in report.frames]) * WHITE / scene.sigma[numbers(table)]
    assert (noise > 1.25 * quiet).all()  # the band where stars live hides less
    spoilt = scene.spoilt.any(0)
    with fits.open(paths["all"]) as hdus:
        rejected = hdus["REJECTED"].data[::-1]
    assert rejected[~spoilt].mean() / 16 < 0.005
    assert rejected[spoilt].mean() > 0.5


def test_sharp_frames_keep_their_cores(tmp_path):
    """Sixteen frames, four sharp: peak and flux are the plain mean's within 1 %, cores rejected no more than sky."""
    fwhm = np.r_[[2.2] * 4, [4.0] * 12]
    scene = simulate(
        16, shape=(96, 128), fwhm=fwhm, stars=np.array([[40.3, 50.2, 2e4 * 16], [90.0, 30.0, 2e4 * 16]]), sky=100, read_noise=5, seed=1
    )
    stack, _, truth = stacked(scene, tmp_path)
    for x, y in ((40, 50), (90, 30)):
        core = (slice(y - 1, y + 2), slice(x - 1, x + 2))
        wide = (slice(y - 8, y + 9), slice(x - 8, x + 9))
        sky = np.median(truth, (0, 1))
        assert ((stack.mean - sky)[core].mean() / (truth - sky)[core].mean()) == pytest.approx(1, abs=0.01)
        assert ((stack.mean - sky)[wide].sum() / (truth - sky)[wide].sum()) == pytest.approx(1, abs=0.01)
        assert stack.rejected[core].mean() <= stack.rejected.mean() + 0.05
