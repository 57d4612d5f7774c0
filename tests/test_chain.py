"""What the nodes do between files and steps: finished stacks, one light for all stacks, half-sets, identities."""

from __future__ import annotations

import errno
import gzip
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.ndimage import binary_dilation, gaussian_filter

from layerblend import chain
from layerblend.errors import InputError
from layerblend.files.frames import open_frame
from layerblend.files.pictures import write_fits, write_frame
from layerblend.files.stacks import open_stack
from layerblend.kinds import Curve, Stack, StarShape, working_luminance
from layerblend.maths.curve import stretch, unstretch
from layerblend.stacking import build_stacks
from layerblend.steps.colour import colour_gates
from layerblend.steps.curve import fit_curve
from layerblend.steps.flatten import Flattened
from layerblend.steps.white import White
from tests.scenes.frames import add_star, simulate, true_table, write_frames

SHAPE = (120, 160)
CURVE = Curve(p=0.002, s=0.01, norm=6.0, sigma=0.0002, target=0.2)
WHITE = White(factors=np.array([1.2, 1.0, 0.9]), along=1.0, across=1.0, green=0.0, stars=np.zeros((0, 2)))


def star_field(*, shift: float = 0.0, gain: float = 1.0, mono: bool = False, seed: int = 3, stars: int = 30) -> np.ndarray:
    """Linear light: stars of a fixed field over quiet sky."""
    rng = np.random.default_rng(11)
    image = np.zeros((*SHAPE, 1 if mono else 3))
    for x, y, flux in zip(rng.uniform(8, 152, stars), rng.uniform(8, 112, stars), 10 ** rng.uniform(-0.6, 0.7, stars), strict=True):
        add_star(image, x + shift, y, flux * gain * np.ones(image.shape[2]), 2.8)
    image += np.random.default_rng(seed).normal(0, 3e-4, image.shape)
    return (image[..., 0] if mono else image).astype(np.float32)


def as_stack(image: np.ndarray, name: str = "stack.fits", **more: object) -> Stack:
    return Stack(mean=image, files=(name,), **more)  # type: ignore[arg-type]


def no_sky(image: np.ndarray) -> Flattened:
    """A sky found to be zero everywhere."""
    none = np.zeros(image.shape[2:] or 1)
    return Flattened(image, np.zeros_like(image), np.zeros(0), (), (), False, "subtract", none, none, none, none, none, none)


def test_a_halo_keeps_its_stars_colour_though_the_sharp_stacks_split_found_another_ground() -> None:
    """A ground that is off by a pixel's noise in one channel tints a halo, since the curve is steepest near the sky."""
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    radius, colour = np.hypot(yy - 60, xx - 80), np.array([1.0, 0.8, 0.55])
    star = ((1 + radius**2 / 9) ** -1.5)[..., None] * colour
    ground = np.full_like(star, 1e-4)
    light = (star + ground).astype(np.float32)
    off = (ground + np.array([0, 1e-4, -2e-4]) * (radius < 60)[..., None]).astype(np.float32)
    splits = [replace(plain_split(light), starless=starless, stars=light - starless) for starless in (off, ground.astype(np.float32))]
    rest = {"sigma": np.full_like(light, 2e-4), "gate": 3, "repair": False, "saturation": 1, "size": 1}
    made = chain.star_light(light, splits[0], as_stack(light), round_stars(2.8), light, splits[1], CURVE, **rest)
    picture = chain.join(chain.Base(stretch(splits[1].starless, CURVE), None), made, mode="screen", amount=1)
    back, wing = unstretch(picture, CURVE) - ground, (radius > 14) & (radius < 24)
    assert (star[wing] > 4e-4).all() and (star[wing] < 1.2e-2).all()
    np.testing.assert_allclose((back / star)[wing].mean(0), 1, atol=0.02)
    np.testing.assert_allclose(back[radius < 2], star[radius < 2], rtol=1e-3)


def test_a_dim_border_of_a_stack_from_elsewhere_is_no_data_and_is_told() -> None:
    light = star_field()
    light[:, :9] -= 0.2
    sky = replace(no_sky(light), sigma=np.full(3, 3e-4))
    parts = (as_stack(light), sky, replace(WHITE, factors=np.ones(3)), chain.Brightness())
    linear = chain.linear_picture(*parts, foreign=True)
    assert np.isnan(linear[:, :9]).all() and np.isfinite(linear[:, 20:]).all()
    assert "stack.fits has a border" in chain.cover_of(linear, parts[0]).words[0]
    assert np.isfinite(own := chain.linear_picture(*parts)).all() and not chain.cover_of(own, parts[0]).words


def test_what_the_deciding_stack_did_not_separate_stays_whole_in_all() -> None:
    light = star_field()
    decides = replace(plain_split(light), checks={"separated": 0.0})
    split = chain.split_picture(light, as_stack(light), round_stars(2.8), decides)
    assert not split.stars.any() and "as in the stack that decides" in split.words[0]
    np.testing.assert_array_equal(split.starless, light)


@pytest.mark.parametrize("whole", [False, True])
def test_a_halo_that_one_split_left_in_its_ground_is_shown_once(whole: bool) -> None:
    """The sharp stack's split takes the galaxy round a bright star for its halo: over the colour stack's ground it would be there twice."""
    yy, xx = np.mgrid[:300, :300]
    radius = np.hypot(yy - 150, xx - 150)
    star = ((1 + radius**2 / 9) ** -3.0)[..., None] * np.array([1.0, 0.8, 0.55])
    galaxy = (4e-3 * np.exp(-((radius / 50) ** 4)))[..., None] * np.array([0.3, 1.0, 0.3])
    noise = np.random.default_rng(1).normal(0, 1e-4, (2, *star.shape))
    sharp, deep = ((star + galaxy + error).astype(np.float32) for error in noise)
    mask = radius < 80
    splits = [
        chain.Split(ground.astype(np.float32), (light - ground).astype(np.float32), mask, np.zeros(0), {})
        for light, ground in ((sharp, noise[0]), (deep, galaxy + noise[1]))
    ]
    rest: dict[str, Any] = {"gate": 0, "repair": False, "saturation": 1, "size": 1}
    made = chain.star_light(sharp, splits[0], as_stack(sharp), round_stars(2.8), deep, splits[1], CURVE, **rest)
    assert made.handed
    few = as_stack(sharp, count=np.full(radius.shape, 5, np.uint16), n_frames=10)  # where frames end, skies step: no light of stars
    assert not chain.star_light(sharp, splits[0], few, round_stars(2.8), deep, splits[1], CURVE, **rest).handed
    if whole:  # a half-set is given the same light
        made = chain.star_light(sharp, splits[0], as_stack(sharp), round_stars(2.8), deep, splits[1], CURVE, whole=made, **rest)
    picture = chain.join(chain.Base(stretch(splits[1].starless, CURVE), None), made, mode="screen", amount=1)
    back = unstretch(picture, CURVE)
    place = (radius > 20) & (radius < 40)
    np.testing.assert_allclose(back[place].mean(0), (star + galaxy)[place].mean(0), rtol=0.03)
    np.testing.assert_allclose(back[radius < 2], sharp[radius < 2], rtol=1e-3)


def test_where_few_frames_lie_the_colour_stacks_stars_serve() -> None:
    count = np.full((40, 60, 3), 9, np.int16)
    count[:, :12] = 1
    share = chain.covered_share(count, 9)
    assert share[:, :10].max() == 0 and share[:, 20:].min() == 1
    assert chain.covered_share(np.full((4, 5), 2, np.int16), 2).min() == 1  # a stack of two frames is used all the same


# ---------------------------------------------------------------- frames
@pytest.mark.parametrize(("mono", "where"), [(False, "check sum"), (True, "check sum"), (False, "pixels")])
def test_a_packed_frame_that_is_damaged_has_no_stars_and_says_why(tmp_path: Path, mono: bool, where: str) -> None:
    image = star_field(mono=mono) + np.float32(0.1)
    write_frame(tmp_path / "good.fits", np.rint(np.moveaxis(image.reshape(*SHAPE, -1), 2, 0) * 6e4).astype(np.uint16))
    packed = bytearray(gzip.compress((tmp_path / "good.fits").read_bytes()))
    (tmp_path / "good.fits.gz").write_bytes(packed)
    packed[-8 if where == "check sum" else len(packed) // 2] ^= 0xFF
    (tmp_path / "bad.fits.gz").write_bytes(packed)
    good, bad = (chain.grade_one(open_frame(tmp_path / name), white_level=None) for name in ("good.fits.gz", "bad.fits.gz"))
    assert good.stars > 5 and bad.stars == 0
    assert bad.words[0].startswith("cannot be unpacked: ")
    infos = [open_frame(tmp_path / name) for name in ("good.fits.gz", "bad.fits.gz")]
    shared = chain.shared_stars(infos, [good, bad])
    table = chain.rank_table(infos, [good, bad], shared, given=None, ranking={}, names=("good", "bad"), left_out={})
    assert [row.file for row in table.used] == ["good"]


def test_frames_left_out_by_name_stand_at_the_end_with_their_reason_and_nothing_is_said_of_them(tmp_path: Path) -> None:
    path = write(tmp_path, "a.fits", star_field())
    info = open_frame(path, white_level=1)
    measure = chain.grade_one(info, white_level=1)
    infos, measures = [info, info], [measure, replace(measure, noise=2 * measure.noise)]
    shared = chain.shared_stars(infos, measures)
    two = {"infos": infos, "measures": measures, "shared": shared, "given": None, "ranking": {}}
    table = chain.rank_table(**two, names=["n1/a.fits", "n2/a.fits"], left_out={"b.fits": replace(info, path=tmp_path / "b.fits")})
    assert [row.file for row in table] == ["n1/a.fits", "n2/a.fits", "b.fits"]
    assert table[-1].excluded == "named in exclude.files" and np.isnan(table[-1].fwhm_major) and len(table.used) == 2
    assert table.words == chain.rank_table(**two, names=["n1/a.fits", "n2/a.fits"], left_out={}).words
    table.write_csv(tmp_path / "t.csv")
    assert (tmp_path / "t.csv").read_text().splitlines()[-1].startswith("b.fits,0,nan,nan,")
    shares = {"all": 1.0}
    drawn = chain.grade_png(table, shares=shares, title="x", left_out=["b.fits"])
    assert drawn != chain.grade_png(replace(table, rows=table.rows[:-1]), shares=shares, title="x", left_out=[])


def test_a_disk_that_fails_is_not_taken_for_a_damaged_frame(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is kept of a frame goes by its content, so trouble that will pass must not be kept."""
    path = tmp_path / "a.fits.gz"
    path.write_bytes(gzip.compress(write(tmp_path, "a.fits", star_field()).read_bytes()))
    info = open_frame(path, white_level=1)

    def fails(*_: object) -> None:
        raise OSError(errno.EIO, "Input/output error", str(path))

    monkeypatch.setattr("layerblend.files.frames.gzip.open", fails)
    with pytest.raises(InputError, match="Input/output error"):
        chain.grade_one(info, white_level=1)


# ---------------------------------------------------------------- finished stacks
def write(folder: Path, name: str, image: np.ndarray) -> Path:
    write_fits(folder / name, image, cards=[("TELESCOP", "north", "")])
    return folder / name


def test_three_mono_files_become_one_colour_stack(tmp_path: Path) -> None:
    planes = [star_field(mono=True, seed=s) for s in range(3)]
    paths = [write(tmp_path, f"{c}.fits", plane) for c, plane in zip("rgb", planes, strict=True)]
    stack = chain.finished_stack(paths, white_level=None)
    np.testing.assert_array_equal(stack.mean, np.stack(planes, -1))
    assert ("TELESCOP", "north", "") in stack.cards


def test_three_mono_stacks_made_here_keep_their_maps_and_halves(tmp_path: Path) -> None:
    own = []
    for k, frames in enumerate((6, 7, 8)):
        scene = simulate(frames, channels=1, seed=k)
        write_frames(scene, tmp_path / f"frames{k}")
        own.append(build_stacks(true_table(scene), {"all": 1.0}, folder=tmp_path / f"{k}")["all"])
    stack, parts = chain.finished_stack(own, white_level=None), [open_stack(path) for path in own]
    for name in ("mean", "stderr", "count", "rejected"):
        joined = getattr(stack, name)
        assert joined.dtype.isnative
        np.testing.assert_array_equal(joined, np.stack([getattr(part, name) for part in parts], -1))
    assert stack.halves is not None and stack.saturated is not None
    np.testing.assert_array_equal(stack.halves[1][..., 2], parts[2].halves[1])
    assert stack.n_frames == 6 and stack.saturated.shape == stack.mean.shape[:2]
    assert chain.cover_of(chain.linear_picture(stack, no_sky(stack.mean), WHITE, chain.Brightness()), stack).common.mean() > 0.9


def test_files_of_different_size_or_colour_are_refused(tmp_path: Path) -> None:
    r, small = write(tmp_path, "r.fits", star_field(mono=True)), write(tmp_path, "g.fits", star_field(mono=True)[:60])
    colour = write(tmp_path, "b.fits", star_field())
    for paths in ([r, small, r], [colour, r, r]):
        with pytest.raises(InputError, match="mono pictures of one size") as caught:
            chain.finished_stack(paths, white_level=None)
        assert "160 x 120" in str(caught.value)


# ---------------------------------------------------------------- one light for all
def brightness(image: np.ndarray, reference: np.ndarray) -> chain.Brightness:
    return chain.relative_brightness(as_stack(image), no_sky(image), as_stack(reference, "all.fits"), no_sky(reference), WHITE)


@pytest.mark.parametrize("gain", [0.1, 0.5, 3.0])
@pytest.mark.parametrize("mono", [False, True])
def test_a_stack_from_elsewhere_comes_to_the_colour_stacks_brightness(gain: float, mono: bool) -> None:
    """Balanced luminance is what is joined, so a mono stack is matched to the balanced colour."""
    reference = star_field()
    other = star_field(gain=gain, mono=mono, seed=4)
    found = brightness(other, reference)
    light, fixed = (chain.linear_picture(as_stack(i), no_sky(i), WHITE, b) for i, b in ((other, found), (reference, chain.Brightness())))
    bright = working_luminance(fixed) > 0.02
    ratio = working_luminance(light)[bright].sum() / working_luminance(fixed)[bright].sum()
    assert ratio == pytest.approx(1, abs=0.02)


def test_stacks_of_the_same_frames_are_left_as_they_are() -> None:
    assert chain.relative_brightness() == chain.Brightness(1.0, ())


def test_a_stack_that_lies_elsewhere_is_refused() -> None:
    with pytest.raises(InputError, match=r"s\.fits lie up to 6\.\d px from"):
        image, reference = star_field(shift=6), star_field()
        chain.relative_brightness(as_stack(image, "s.fits"), no_sky(image), as_stack(reference), no_sky(reference), WHITE)
    with pytest.raises(InputError, match=r"160 x 60 colour where the colour stack is 160 x 120"):
        brightness(star_field()[:60], star_field())


def test_a_stack_without_common_stars_is_used_as_it_is_and_said() -> None:
    found = brightness(star_field(stars=0), star_field())
    assert found.factor == 1 and "too few" in found.words[0]


def test_a_mono_stack_has_no_balance_and_becomes_grey() -> None:
    image = star_field(mono=True)
    white = chain.find_white(as_stack(image), no_sky(image), source="stars", catalogue=None)
    np.testing.assert_array_equal(white.factors, [1, 1, 1])
    assert white.words == ()
    asked = chain.find_white(as_stack(image), no_sky(image), source=(1.2, 1.0, 1.4), catalogue=None)
    assert (asked.factors.tolist(), asked.words) == (
        [1, 1, 1],
        ("The stack is mono: there is no colour to balance, so white.from has no effect.",),
    )
    light = chain.linear_picture(as_stack(image), no_sky(image), WHITE, chain.Brightness())
    np.testing.assert_array_equal(light, np.repeat(image[..., None], 3, 2))


def test_a_star_shows_one_colour_where_debayering_gave_its_middle_another() -> None:
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    radius, colour = np.hypot(yy - 60, xx - 80), np.array([0.5, 0.9, 1.7])
    star = (0.2 * (1 + radius**2 / 9) ** -3.0)[..., None] * colour
    star[radius < 1.2] = (star[radius < 1.2] @ [0.25, 0.5, 0.25])[:, None]
    light = star.astype(np.float32)
    source = np.array([(80, 60, star.sum((0, 1)), star.max((0, 1)), "")], "f4,f4,(3,)f4,(3,)f4,U8")
    source.dtype.names = ("x", "y", "flux", "peak", "kept")
    split = chain.Split(np.zeros_like(light), light, radius < 30, source, {})
    rest: dict[str, Any] = {"gate": 0, "saturation": 1, "size": 1}
    pale, one = (
        unstretch(
            chain.star_light(light, split, as_stack(light), round_stars(2.8), light, split, CURVE, repair=repair, **rest).layer, CURVE
        )
        for repair in (False, True)
    )
    middle, beside = radius < 1.2, (radius > 2) & (radius < 4)
    ratio = [float((layer[where][:, 2] / layer[where][:, 0]).mean()) for layer in (pale, one) for where in (middle, beside)]
    assert ratio[0] < 0.6 * ratio[1] and ratio[2] == pytest.approx(ratio[3], rel=0.15)


def test_borders_that_some_frames_do_not_reach_are_not_compared_near_stars() -> None:
    image = star_field(stars=4)
    count = np.full(image.shape, 10, np.uint16)
    count[:, :30] = 6
    split = SimpleNamespace(mask=np.ones(image.shape[:2], bool))
    near = chain._judged(split, split, replace(as_stack(image), count=count, n_frames=10))
    assert not near[:, :25].any() and near[:, 40:].all()
    assert chain._judged(split, split, replace(as_stack(image), count=None)).all()


def test_noise_from_the_error_map_or_from_the_picture() -> None:
    image = star_field(stars=4)
    mapped = as_stack(image, stderr=np.full_like(image, 3e-4))
    for stack in (mapped, as_stack(image)):
        sigma = chain.noise_map(stack, no_sky(image), WHITE, chain.Brightness())
        np.testing.assert_allclose(np.median(sigma, (0, 1)), 3e-4 * WHITE.factors, rtol=0.1)


@pytest.mark.parametrize("mono", [False, True])
def test_division_scales_the_noise_with_the_light(mono: bool) -> None:
    light = np.repeat(np.linspace(0.1, 0.2, 300)[None], 200, 0)
    light = (light if mono else light[..., None] * np.ones(3)).astype(np.float32)
    stack = as_stack(light + np.random.default_rng(0).normal(0, 1e-3, light.shape).astype(np.float32), stderr=np.full_like(light, 1e-3))
    sky = chain.find_sky(stack, protect=(), frame_filling="no", mode="divide")
    linear = chain.linear_picture(stack, sky, WHITE, chain.Brightness())
    sigma = chain.noise_map(stack, sky, WHITE, chain.Brightness())
    for part in (np.s_[:, 10:40], np.s_[:, -40:-10]):
        np.testing.assert_allclose(sigma[part].mean((0, 1)), linear[part].std((0, 1)), rtol=0.1)


def test_one_frame_tells_no_noise_nor_does_the_same_frame_twice() -> None:
    image = star_field(stars=4)
    gone = np.full_like(image, np.nan)
    for halves, stderr in (((image, image.copy()), np.zeros_like(image)), ((image, gone), gone)):
        stack = as_stack(image, halves=halves, stderr=stderr)
        assert chain.linear_half(stack, no_sky(image), WHITE, chain.Brightness(), half=0) is None
        sigma = chain.noise_map(stack, no_sky(image), WHITE, chain.Brightness())
        np.testing.assert_allclose(np.median(sigma, (0, 1)), 3e-4 * WHITE.factors, rtol=0.1)
    other = as_stack(image, halves=(image, star_field(stars=4, seed=9)), stderr=np.full_like(image, 3e-4))
    assert chain.linear_half(other, no_sky(image), WHITE, chain.Brightness(), half=0) is not None


# ---------------------------------------------------------------- back to light
def test_a_stretched_stack_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any, **__: Any) -> None:
        raise InputError("`image` is not linear.", code="stretched")

    monkeypatch.setattr(chain, "split_stars", refuse)
    stack = Stack(mean=np.zeros((4, 4), np.float32), files=("/my/all.tif",))
    with pytest.raises(InputError, match=r"^all\.tif is not linear\.$") as caught:
        chain.split_picture(np.zeros((4, 4, 3), np.float32), stack, None)  # type: ignore[arg-type]
    assert (caught.value.code, caught.value.file) == ("stretched", "/my/all.tif")


def test_a_stack_of_others_with_too_few_stars_may_be_stretched_and_one_of_ours_is_not() -> None:
    dark = np.random.default_rng(3).normal(0, 1e-3, (60, 80, 3)).astype(np.float32)
    own = as_stack(dark, halves=(dark, dark))
    other = Stack(mean=dark, files=("/my/all.tif",))
    for find in (
        lambda stack: chain.star_shape(dark, stack),
        lambda stack: chain.find_white(stack, no_sky(dark), source="stars", catalogue=None),
    ):
        with pytest.raises(InputError, match=r"If all\.tif was stretched already") as caught:
            find(other)
        assert caught.value.file == "/my/all.tif"
        with pytest.raises(InputError) as caught:
            find(own)
        assert "stretched" not in str(caught.value)


def test_white_is_no_brighter_than_the_stacks() -> None:
    light = np.array([[[0.0, 0.01, 0.02], [0.3, 0.2, 0.1]]], np.float32)
    shown = stretch(light, CURVE)
    np.testing.assert_allclose(chain.linear_light(shown, CURVE, 1.0), light, rtol=2e-4, atol=1e-7)
    shown[0, 1] = 1.0
    np.testing.assert_allclose(chain.linear_light(shown, CURVE, 1.3)[0, 1], [1.3, 1.3, 1.3], rtol=1e-6)
    # a repaired core is brighter than the stacks: dimmed, it keeps its colour, as do planes of one channel
    core = stretch(np.array([[[2.8, 1.7, 0.8]]], np.float32), CURVE)
    np.testing.assert_allclose(chain.linear_light(core, CURVE, 1.4), [[[1.4, 0.85, 0.4]]], rtol=1e-4)
    np.testing.assert_allclose(chain.linear_light(core[..., 0], CURVE, 1.4), [[1.4]], rtol=1e-6)


def test_half_differences_are_noise_alone() -> None:
    a, b = np.float32([[3, 5]]), np.float32([[1, 9]])
    np.testing.assert_array_equal(chain.half_difference(a, b), [[1, -2]])
    assert chain.half_difference(a, None) is None and chain.luminance_of(None) is None


# ---------------------------------------------------------------- identities
def plain_split(light: np.ndarray) -> Any:
    from layerblend.steps.split import Split

    nothing = np.zeros_like(light)
    return Split(light, nothing, np.zeros(light.shape[:2], bool), np.zeros(0), {})


def split_of_one_star(light: np.ndarray, x: float, y: float) -> Any:
    """All light is that of one star, 4 px wide."""
    row = np.zeros(1, [("x", "f4"), ("y", "f4"), ("flux", "f4", (3,)), ("peak", "f4", (3,)), ("kept", "U8")])
    row["x"], row["y"], row["flux"], row["peak"] = x, y, light.sum((0, 1)), light.max((0, 1))
    return replace(plain_split(light), starless=np.zeros_like(light), stars=light, catalogue=row, checks={"fwhm": 4.0})


def test_layers_with_nothing_to_do_are_the_starless_picture() -> None:
    light = star_field()
    split, sigma = plain_split(light), np.full_like(light, 3e-4)
    detail = chain.detail_layer(split, round_stars(3.0), round_stars(3.0), sigma, None, None, deconvolve=0, grain=1)
    np.testing.assert_array_equal(detail.light, working_luminance(light))
    assert not detail.gates.shares and detail.resolved
    colour = chain.colour_layer(split, sigma, None, None, split, sigma, None, None, denoise=0, green_ceiling=False)
    assert colour.image is light and colour.gates is None


def round_stars(fwhm: float) -> StarShape:
    terms = np.zeros((3, 6))
    terms[0, 0] = np.log(fwhm)
    return StarShape(3.0, terms, 100, 100, np.zeros((0, 8)))


def test_stars_too_narrow_to_part_are_left_unsharpened() -> None:
    light = star_field()
    split, sigma = plain_split(light), np.full_like(light, 3e-4)
    detail = chain.detail_layer(split, round_stars(1.2), round_stars(1.2), sigma, None, None, deconvolve=0.5, grain=0.5)
    np.testing.assert_array_equal(detail.light, working_luminance(light))
    assert not detail.resolved


def test_a_sharper_detail_stack_is_deconvolved_as_far_as_the_colour_stack() -> None:
    light = star_field()
    split, sigma = plain_split(light), np.full_like(light, 3e-4)
    made = [
        chain.detail_layer(split, round_stars(3.0), round_stars(w), sigma, None, None, deconvolve=0.5, grain=0.5) for w in (2.0, 3.0, 3.3)
    ]
    ratios = [detail.gates.sharpener.ratio for detail in made if detail.gates.sharpener is not None]
    assert ratios == pytest.approx([0.7, 0.7, np.sqrt(1 - 0.51 * 1.1**2)])


def test_stars_that_were_not_parted_are_told_to_the_denoising(monkeypatch: pytest.MonkeyPatch) -> None:
    light = star_field()
    untouched, sigma, told = plain_split(light), np.full_like(light, 3e-4), []

    def gates(*arguments: object, **settings: object) -> object:
        told.append(settings["starless"])
        return colour_gates(*arguments, **settings)  # type: ignore[arg-type]

    monkeypatch.setattr(chain, "colour_gates", gates)
    for split in (untouched, replace(untouched, mask=light[..., 1] > np.quantile(light[..., 1], 0.99))):
        chain.colour_layer(split, sigma, None, None, split, sigma, None, None, denoise=1, green_ceiling=False)
    assert told == [False, True]


def test_a_starless_picture_with_nothing_to_do_is_the_stretch() -> None:
    light = star_field()
    nothing = {"space": "oklab", "amount": 0, "chroma": "follow", "sharpen": [1], "core": 0, "saturation": 1}
    lit = {space: chain.lit_colour(light, working_luminance(light), CURVE, None, space=space) for space in ("oklab", "cielab")}
    base = chain.starless_picture(lit["oklab"], CURVE, **nothing)
    np.testing.assert_array_equal(base.picture, stretch(light, CURVE))
    for space, colour in lit.items():
        made = chain.starless_picture(colour, CURVE, **{**nothing, "amount": 1, "space": space})
        np.testing.assert_allclose(made.picture, base.picture, atol=2e-3)


def test_stars_laid_over_their_own_starless_picture_give_the_picture() -> None:
    light = star_field()
    starless = (light * 0.2).astype(np.float32)
    split = replace(plain_split(light), starless=starless, stars=light - starless)
    stars = round_stars(2.8)
    layer = chain.star_light(light, split, as_stack(light), stars, light, split, CURVE, gate=0, repair=False, saturation=1, size=1)
    picture = chain.join(chain.Base(stretch(starless, CURVE), None), layer, mode="screen", amount=1)
    np.testing.assert_allclose(picture, stretch(light, CURVE), atol=2e-6)
    assert layer.gate is None


def test_a_mono_star_stack_takes_its_colour_from_the_colour_stack_clipped_cores_too() -> None:
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    profile, colour = (1 + ((yy - 60) ** 2 + (xx - 80) ** 2) / 9) ** -2.5, np.float32([1.5, 1.0, 0.5])
    star = (profile[..., None] * colour).astype(np.float32)
    grey = np.repeat(working_luminance(star)[..., None], 3, 2)
    cut = np.minimum(star, 0.4)
    splits = [split_of_one_star(light, 80, 60) for light in (grey, cut)]
    mono, coloured = as_stack(grey[..., 0]), as_stack(cut, saturated=(star.max(2) > 0.4).astype(np.float32))
    rest = {"gate": 3.0, "repair": True, "saturation": 1.0, "size": 1.0}
    sigma = np.full_like(grey, 1e-4)
    made = chain.full_starlight(splits[0], mono, round_stars(4), splits[1], coloured, sigma, CURVE, **rest)
    picture = chain.join(chain.Base(stretch(np.zeros_like(star), CURVE), None), made, mode="screen", amount=1)
    back = unstretch(picture, CURVE)
    for place in (profile > 0.8, (profile > 0.05) & (profile < 0.2)):
        ratio = back[place] / back[place].mean(1, keepdims=True)
        np.testing.assert_allclose(ratio.mean(0), colour, atol=0.08)


def test_filters_of_unlike_seeing_give_a_mono_star_stack_no_rings_of_colour() -> None:
    """Red 3, green 4, blue 5 px wide: the star's middle is red and its rim blue, and a star of 3 px shows both."""
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    square = (yy - 60) ** 2 + (xx - 80) ** 2
    profiles = [(1 + square / (1.7 * width**2 / 4)) ** -2.5 / width**2 for width in (3.0, 4.0, 5.0)]
    colour = np.stack(profiles, -1).astype(np.float32)
    grey = np.repeat(profiles[0].astype(np.float32)[..., None], 3, 2)
    splits = [split_of_one_star(light, 80, 60) for light in (grey, colour)]
    rest = {"gate": 3.0, "repair": True, "saturation": 1.0, "size": 1.0}
    sigma = np.full_like(grey, 1e-5)
    made = chain.full_starlight(splits[0], as_stack(grey[..., 0]), round_stars(3), splits[1], as_stack(colour), sigma, CURVE, **rest)
    back = unstretch(chain.join(chain.Base(stretch(np.zeros_like(grey), CURVE), None), made, mode="screen", amount=1), CURVE)
    middle, rim = (back[place].mean(0) for place in (square < 2, (square > 6) & (square < 14)))
    whole = colour.sum((0, 1))
    assert 0.75 < middle[0] / middle[2] / (whole[0] / whole[2]) < 1.33
    assert 0.75 < middle[0] / middle[2] / (rim[0] / rim[2]) < 1.33  # 2.2 without one colour for each star


def test_under_the_gate_the_deep_stack_serves() -> None:
    sharp, deep = star_field(seed=5), star_field(seed=6)
    nothing = np.zeros_like(sharp)
    splits = [replace(plain_split(light), starless=nothing, stars=light) for light in (sharp, deep)]
    sigma, stars, rest = np.full_like(sharp, 3e-4), round_stars(2.8), {"repair": False, "saturation": 1, "size": 1}
    made = chain.star_light(sharp, splits[0], as_stack(sharp), stars, deep, splits[1], CURVE, sigma=sigma, gate=3, **rest)
    bright, light = working_luminance(deep) > 0.05, np.maximum(working_luminance(sharp), working_luminance(deep))
    sky = ~binary_dilation(gaussian_filter(light, 1) > 2.5e-4, np.ones((3, 3)), iterations=8)
    assert made.gate is not None and made.gate.light[bright].min() == 1
    own, other = (
        chain.star_light(light, split, as_stack(light), stars, light, split, CURVE, gate=0, **rest).layer
        for light, split in zip((sharp, deep), splits, strict=True)
    )
    np.testing.assert_array_equal(made.layer[bright], own[bright])
    assert sky.sum() > 500 and made.gate.light[sky].max() == 0
    np.testing.assert_allclose(made.layer[sky], other[sky], atol=1e-6)


@pytest.mark.parametrize(("height", "error"), [(8, 0.025), (20, 0.015), (100, 0.01)])
def test_the_gate_neither_makes_nor_takes_star_light(height: float, error: float) -> None:
    """A sharp core inside the wings of the wider star would have some 7 % too much light, more where the star is faint."""
    noise, yy, xx = 2e-4, *np.mgrid[: SHAPE[0], : SHAPE[1]]
    sharp, deep = np.zeros((2, *SHAPE, 3), np.float32)
    for x, y in ((40.3, 35.0), (120.0, 40.4), (80.2, 60.3), (35.0, 90.1), (125.4, 85.0)):
        for light, fwhm in ((sharp, 2.6), (deep, 3.4)):
            star = (1 + ((xx - x) ** 2 + (yy - y) ** 2) / (fwhm / 2 / np.sqrt(2 ** (1 / 4) - 1)) ** 2) ** -4.0
            light += (height * noise * 2.6**2 / fwhm**2 * star)[..., None].astype(np.float32)  # equal flux (Moffat 1969)
    ground = np.full_like(sharp, 1e-4)
    splits = [replace(plain_split(light), starless=ground, stars=light) for light in (sharp, deep)]
    rest = {"sigma": np.full_like(sharp, noise), "gate": 3, "repair": False, "saturation": 1, "size": 1}
    made = chain.star_light(sharp + ground, splits[0], as_stack(sharp), round_stars(2.6), deep + ground, splits[1], CURVE, **rest)
    back = unstretch(chain.join(chain.Base(stretch(ground, CURVE), None), made, mode="screen", amount=1), CURVE) - ground
    assert back.sum() == pytest.approx(deep.sum(), rel=error)
    assert made.gate is not None and made.gate.light.max() == 1 and made.gate.light.min() == 0


@pytest.mark.parametrize("missing", ["sharp", "deep"])
def test_a_star_that_only_one_split_took_away_is_neither_lost_nor_counted_twice(missing: str) -> None:
    noise, ground, stars = 2e-4, 1e-4, np.zeros((2, *SHAPE, 3), np.float32)
    places = ((40, 40), (110, 70), (49, 46))  # the last is in doubt: between noise and certainty, and beside another
    for plane, fwhm in zip(stars, (2.6, 3.4), strict=True):
        for (x, y), flux in zip(places, (0.3, 0.1, 0.06), strict=True):
            add_star(plane, x, y, flux * np.ones(3), fwhm)
    doubt = np.zeros((2, *SHAPE, 3), np.float32)
    for plane, fwhm in zip(doubt, (2.6, 3.4), strict=True):
        add_star(plane, *places[2], 0.06 * np.ones(3), fwhm)
    left = [doubt[0] if missing == "sharp" else 0, doubt[1] if missing == "deep" else 0]
    starless = [np.full((*SHAPE, 3), ground, np.float32) + rest for rest in left]
    light = [np.asarray(plane + ground, np.float32) for plane in stars]
    splits = [replace(plain_split(whole), starless=rest, stars=whole - rest) for whole, rest in zip(light, starless, strict=True)]
    rest = {"sigma": np.full_like(light[0], noise), "gate": 3, "repair": False, "saturation": 1, "size": 1}
    made = chain.star_light(light[0], splits[0], as_stack(light[0]), round_stars(2.6), light[1], splits[1], CURVE, **rest)
    back = unstretch(chain.join(chain.Base(stretch(starless[1], CURVE), None), made, mode="screen", amount=1), CURVE) - ground
    for (x, y), flux in zip(places, (0.3, 0.1, 0.06), strict=True):
        spot = np.s_[y - 4 : y + 5, x - 4 : x + 5, 1]
        # what a star in doubt holds beyond its disc may be lost
        assert back[spot].sum() == pytest.approx(stars[1][spot].sum(), rel=0.15), (x, y, flux)
    assert back[70, 110, 1] == pytest.approx(stars[0][70, 110, 1], rel=0.02)  # the others are the sharp stack's


def test_the_curve_takes_its_noise_from_the_half_sets() -> None:
    """Channels that share noise have a luminance noisier than independent channels would: the half-sets know, the error map does not."""
    rng = np.random.default_rng(2)
    grey = rng.normal(0, 1e-3, (2, *SHAPE, 1)).astype(np.float32)
    halves = [np.repeat(half, 3, 2) for half in grey]
    light = star_field() + (halves[0] + halves[1]) / 2
    sigma = np.full_like(light, 1e-3 / np.sqrt(2))
    sky = no_sky(light)
    curve = chain.display_curve(plain_split(light), sigma, *halves, sky, sky=0.12, bright=0.7, black=10)
    assert curve.sigma == pytest.approx(1e-3 / np.sqrt(2), rel=0.03)
    independent = chain.display_curve(plain_split(light), sigma, None, None, sky, sky=0.12, bright=0.7, black=10)
    assert independent.sigma == pytest.approx(np.sqrt(6) / 4 * 1e-3 / np.sqrt(2), rel=1e-3)
    assert curve == fit_curve(light, sigma=curve.sigma, sky=0.12, bright=0.7, black=10)


def test_the_target_is_the_union_of_the_galaxies_found() -> None:
    sky = no_sky(star_field())
    assert chain.target_mask(sky, SHAPE) is None
    from layerblend.kinds import Ellipse

    two = replace(sky, targets=(Ellipse(20, 20, 5, 5), Ellipse(100, 60, 9, 4)))
    mask = chain.target_mask(two, SHAPE)
    assert mask is not None and mask[20, 20] and mask[60, 100] and not mask[60, 60]


def test_a_galaxys_clipped_core_has_the_colour_of_its_bulge_and_no_star_layer_takes_it_back() -> None:
    """Clipped at the same level in all channels and balanced, it came out lilac; the bulge's own colour is known here."""
    from tests.scenes.split import make_scene

    scene = make_scene(seed=11)
    o, (x, y) = scene.options, scene.centre
    away = np.hypot(*(np.mgrid[: o.height, : o.width] - np.array([y, x])[:, None, None]))
    colour = np.array([1.1, 1.0, 0.7])
    level = np.float32([1.2, 1.0, 1.4])  # one level on the chip, white balance after it
    image = scene.image + (2 * np.exp(-away / 9)[..., None] * colour).astype(np.float32)
    saturated = ((image > level).any(2) | scene.extra["saturated"]).astype(np.float32)
    image = np.minimum(image, level)
    stack = as_stack(image, saturated=saturated)
    shape = chain.star_shape(image, stack)
    split = chain.split_picture(image, stack, shape, grow=1.0, keep_knots=True, keep=(), remove=())
    core = (saturated > 0) & (away < 12)
    assert core.sum() > 50
    assert (
        split.mask[core].all() and split.mask[away < 5 * shape.centre.fwhm].all()
    )  # no detail is made of the edge of a clip and its wings
    shown = split.starless[core].mean(0)
    np.testing.assert_allclose(shown / shown[1], colour, atol=0.05)
    rest = {"gate": 3.0, "repair": True, "saturation": 1.0, "size": 1.0}
    made = chain.full_starlight(split, stack, shape, split, stack, np.full_like(image, scene.extra["sigma0"]), CURVE, **rest)
    assert np.abs(made.layer[core]).max() < 0.02
