"""What two results are compared on: the same sky, target, window and stars for both."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import scipy

from layerblend.errors import ArgumentError
from layerblend.evidence.correlation import hann_window
from layerblend.evidence.starfit import fit_mean_star
from layerblend.kinds import Array, Curve, DisplayRGB, LinearImage, Mask, Plane, Weight, working_luminance
from layerblend.maths.perceptual import decode_srgb, linear_to_lab
from layerblend.maths.robust import MAD_TO_SIGMA

MIN_STARS = 8
MAX_STARS = 150
UNCLIPPED = 0.98
DEFAULT_FWHM_PX = 4.0
COLOUR_BLUR_PX = 3.0
COLOUR_MIN_CHROMA = 4.0
BLUR_MARGIN_PX = 12  # around a cut piece, so that its blur is that of the whole picture
MIN_WINDOW_PX, MAX_WINDOW_PX = 128, 2048
CLIPPED = 0.999
SAME_CODE = 1e-4  # of display codes: channels that differ by less are one
LEAST_TARGET_PX = 2048  # eight tiles of 16 px


Box = tuple[slice, slice]


@dataclass(frozen=True)
class Subject:
    """One result with all that is needed to judge it; what is None is not judged, and said so.

    Parameters
    ----------
    name : how sentences call it
    picture : (H, W, 3) or (H, W) float32, display, 0..1
    half_a, half_b : display pictures of the two half-sets, taken through the same chain with everything frozen (curve, sky, white, gates)
    linear : (H, W, 3) or (H, W), linear; the picture with its recorded curve inverted
    detail_a, detail_b : (H, W), linear; Y of the luminance source's half-sets, starless or not, before any non-linear step
    curve : the stretch of this result; with it the luminance source is shown unprocessed, to tell what the processing added
    reference : linear stack, on the scale of ``linear``, whose star fluxes count as right
    colour : display picture of the colour source through the same curve, before denoise and saturation
    stars : (n, 4) float, x, y, flux, peak, brightest first
    colour_a, colour_b : the same of its half-sets
    saturation, star_saturation : factors of chroma that were asked for; taken out before colour is judged
    recoloured : what gave the picture another colour than its source's on purpose, as a sentence says it; empty for nothing
    unprocessed : whether the picture is its stack through the curve and nothing else, so that processing made nothing of it
    sky, target, saturated : (H, W) bool; blank sky without stars; the target; places the camera clipped
    star_mask : (H, W) bool, where stars were taken away from the detail halves; filled in each half by itself, with the discs that the
        star list gives
    """

    name: str
    picture: DisplayRGB = field(repr=False)
    half_a: DisplayRGB | None = field(default=None, repr=False)
    half_b: DisplayRGB | None = field(default=None, repr=False)
    linear: LinearImage | None = field(default=None, repr=False)
    detail_a: Plane | None = field(default=None, repr=False)
    detail_b: Plane | None = field(default=None, repr=False)
    curve: Curve | None = None
    reference: LinearImage | None = field(default=None, repr=False)
    colour: DisplayRGB | None = field(default=None, repr=False)
    colour_a: DisplayRGB | None = field(default=None, repr=False)
    colour_b: DisplayRGB | None = field(default=None, repr=False)
    stars: Array | None = field(default=None, repr=False)
    saturation: float = 1.0
    star_saturation: float = 1.0
    recoloured: str = ""
    unprocessed: bool = False
    sky: Mask | None = field(default=None, repr=False)
    target: Mask | None = field(default=None, repr=False)
    saturated: Mask | None = field(default=None, repr=False)
    star_mask: Mask | None = field(default=None, repr=False)

    @property
    def halves(self) -> tuple[DisplayRGB, DisplayRGB] | None:
        """Both half-set pictures, or None."""
        return None if self.half_a is None or self.half_b is None else (self.half_a, self.half_b)

    @property
    def mono(self) -> bool:
        """Whether there is one channel alone, or three that are the same but for rounding; a colour stack made grey is not mono."""
        picture, source = self.picture, self.colour
        if picture.ndim == 2 or (source is not None and source.ndim == 2):
            return True
        return all(_same(picture) for picture in (picture, source) if picture is not None)

    @property
    def colour_halves(self) -> tuple[DisplayRGB, DisplayRGB] | None:
        """Both halves of the colour source, or None."""
        return None if self.colour_a is None or self.colour_b is None else (self.colour_a, self.colour_b)

    @property
    def detail_halves(self) -> tuple[Plane, Plane] | None:
        """Both luminance halves, or None."""
        return None if self.detail_a is None or self.detail_b is None else (self.detail_a, self.detail_b)


def _same(picture: DisplayRGB) -> bool:
    """Whether all three channels hold the same; a few pixels tell most colour pictures."""
    return all(
        np.allclose(part[..., 0], part[..., c], rtol=0, atol=SAME_CODE, equal_nan=True)
        for part in (picture[::64, ::64], picture)
        for c in (1, 2)
    )


@dataclass(frozen=True)
class Ground:
    """The units that both results are measured on. Index arrays point into ``stars``.

    ``window`` weighs the part ``window_box`` of the picture, in which detail is judged; ``covered``: the share of it under the star mask;
    ``coloured``: where the target's colour can be judged, ``pale``: why there is too little of it; ``mono``: why there is no colour at all.
    """

    shape: tuple[int, int]
    sky: Mask = field(repr=False)
    target: Mask | None = field(repr=False)
    window: Weight = field(repr=False)
    window_box: Box
    stars: Array = field(repr=False)
    shape_stars: Array = field(repr=False)
    isolated: Array = field(repr=False)
    star_mask: Mask = field(repr=False)
    fwhm: float
    from_halves: bool
    linear: bool
    reference: LinearImage | None = field(repr=False)
    colour: DisplayRGB | None = field(repr=False)
    coloured: Mask | None = field(repr=False)
    pale: str = ""
    mono: str = ""
    covered: float = 0.0
    words: tuple[str, ...] = ()


def common_ground(a: Subject, b: Subject) -> Ground:
    """Sky, target, window and stars on which two results are compared.

    Raises
    ------
    ArgumentError
        The two pictures differ in size.
    """
    shape = _common_shape(a, b)
    words: list[str] = []
    stars = _common_stars(a, b, words)
    fwhm = _rough_fwhm(stars)
    star_mask = star_discs(shape, stars, fwhm)
    for subject in (a, b):
        if subject.star_mask is not None:
            star_mask |= subject.star_mask
    sky = _common_sky(a, b, star_mask, words)
    target = _both(a.target, b.target)
    isolated = _isolated(stars, fwhm, shape)
    linear = a.linear is not None and b.linear is not None
    colour = a.colour if a.colour is not None else b.colour
    box = _target_box(shape, target)
    window = hann_window((box[0].stop - box[0].start, box[1].stop - box[1].start))
    coloured, pale = _coloured(a, b, colour, target, sky, star_mask)
    ground = Ground(
        shape=shape,
        sky=sky,
        target=target,
        window=window,
        window_box=box,
        stars=stars,
        shape_stars=np.zeros(0, int),
        isolated=isolated,
        star_mask=star_mask,
        fwhm=fwhm,
        from_halves=a.halves is not None and b.halves is not None,
        linear=linear,
        reference=a.reference if a.reference is not None else b.reference,
        colour=colour,
        coloured=coloured,
        pale=pale,
        mono=_mono(a, b),
        covered=float(np.average(star_mask[box], weights=window.astype(float) ** 2)),
        words=tuple(words),
    )
    return _with_shape_stars(ground, a, b)


def _common_shape(a: Subject, b: Subject) -> tuple[int, int]:
    """Height and width of both pictures."""
    (height, width), other = a.picture.shape[:2], b.picture.shape[:2]
    if other != (height, width):
        raise ArgumentError(
            f"`{a.name}` is {width} x {height} px and `{b.name}` {other[1]} x {other[0]} px; "
            "only pictures of the same size and place can be compared."
        )
    return height, width


def star_discs(shape: tuple[int, ...], stars: Array, fwhm: float) -> Mask:
    """(H, W) bool: discs that cover the stars, wider for brighter ones, from the catalogue alone (never from a picture's pixels)."""
    mask = np.zeros(shape[:2], np.uint8)
    if not len(stars):
        return mask.astype(bool)
    flux = np.maximum(stars[:, 2], 1e-30)
    faint = np.quantile(flux, 0.1)
    # A Moffat wing of beta 3 falls as r^-6: the radius of equal surface brightness grows with the sixth root of the flux.
    radius = np.clip(1.3 * fwhm * (flux / faint) ** (1 / 6), 1.3 * fwhm, 8 * fwhm)
    for (x, y), r in zip(stars[:, :2], radius, strict=True):
        cv2.circle(mask, (round(float(x)), round(float(y))), max(1, round(float(r))), 1, -1)
    return mask.astype(bool)


def _both(a: Mask | None, b: Mask | None) -> Mask | None:
    if a is None or b is None:
        return a if b is None else b
    return a & b if (a & b).any() else a


def _common_stars(a: Subject, b: Subject, words: list[str]) -> Array:
    given = [np.asarray(s.stars, float) for s in (a, b) if s.stars is not None and len(s.stars)]
    if given:
        stars = max(given, key=len)
    else:
        stars = find_stars((lightness(a.picture) + lightness(b.picture)) / 2)
        words.append(f"No star list was given: {len(stars)} stars were found in the pictures themselves.")
    if stars.shape[1] < 4:
        stars = np.pad(stars, ((0, 0), (0, 4 - stars.shape[1])), constant_values=np.nan)
    height, width = a.picture.shape[:2]
    inside = (stars[:, 0] >= 0) & (stars[:, 0] <= width - 1) & (stars[:, 1] >= 0) & (stars[:, 1] <= height - 1)
    stars = stars[inside]
    return stars[np.argsort(-stars[:, 2], kind="stable")]


def find_stars(light: Plane, *, limit: int = 400) -> Array:
    """(n, 4) x, y, flux, peak of compact peaks in a lightness plane, brightest first; for pictures that come without a star list."""
    fine = cv2.GaussianBlur(light, (0, 0), 1.2) - cv2.GaussianBlur(light, (0, 0), 6.0)
    noise = MAD_TO_SIGMA * float(np.median(np.abs(fine - np.median(fine)))) + 1e-6
    peaks = (fine >= cv2.dilate(fine, np.ones((9, 9), np.uint8))) & (fine > 12 * noise)
    y, x = np.nonzero(peaks)
    order = np.argsort(-fine[y, x], kind="stable")[:limit]
    x, y = x[order], y[order]
    wide = cv2.blur(fine, (9, 9)) * 81
    return np.stack([x, y, np.maximum(wide[y, x], fine[y, x]), fine[y, x]], 1).astype(float)


def _rough_fwhm(stars: Array) -> float:
    """Typical FWHM from flux over peak of a Moffat with beta 3, 4 px when the catalogue has no peaks."""
    if not len(stars):
        return DEFAULT_FWHM_PX
    bright = stars[: max(10, len(stars) // 2)]
    with np.errstate(all="ignore"):
        alpha = np.sqrt(2 * bright[:, 2] / (np.pi * bright[:, 3]))
    alpha = alpha[np.isfinite(alpha)]
    width = float(np.median(alpha)) * 2 * np.sqrt(2 ** (1 / 3) - 1) if len(alpha) else DEFAULT_FWHM_PX
    return float(np.clip(width, 1.5, 12.0))


def _isolated(stars: Array, fwhm: float, shape: tuple[int, int]) -> Array:
    """Indices of stars away from the edge and from neighbours of more than 2 % of their flux."""
    if not len(stars):
        return np.zeros(0, int)
    reach = 5 * fwhm
    margin = int(np.ceil(3.5 * fwhm)) + 2
    x, y, flux = stars[:, 0], stars[:, 1], stars[:, 2]
    inside = (x > margin) & (x < shape[1] - 1 - margin) & (y > margin) & (y < shape[0] - 1 - margin)
    tree = scipy.spatial.cKDTree(stars[:, :2])
    alone = np.ones(len(stars), bool)
    for i, j in tree.query_pairs(reach):
        if flux[j] > 0.02 * flux[i]:
            alone[i] = False
        if flux[i] > 0.02 * flux[j]:
            alone[j] = False
    return np.flatnonzero(inside & alone)


def _common_sky(a: Subject, b: Subject, star_mask: Mask, words: list[str]) -> Mask:
    sky = _both(a.sky, b.sky)
    if sky is not None:
        return sky & ~star_mask
    light = cv2.GaussianBlur((lightness(a.picture) + lightness(b.picture)) / 2, (0, 0), 4.0)
    level = float(np.quantile(light[~star_mask] if (~star_mask).any() else light, 0.25))
    low = light[light <= level]
    spread = MAD_TO_SIGMA * float(np.median(np.abs(low - np.median(low)))) + 0.1
    words.append("No sky mask was given: the darkest even quarter of the pictures serves as sky.")
    return (np.abs(light - level) < 4 * spread) & ~star_mask


def _mono(a: Subject, b: Subject) -> str:
    """Why no colour can be compared; empty where both have some."""
    names = [f"`{subject.name}`" for subject in (a, b) if subject.mono]
    if not names:
        return ""
    return "both pictures are mono" if len(names) == 2 else f"{names[0]} is mono"


def _coloured(
    a: Subject, b: Subject, colour: DisplayRGB | None, target: Mask | None, sky: Mask, star_mask: Mask
) -> tuple[Mask | None, str]:
    """Where colour can be judged: target without stars, coloured in the sources, clipped in neither picture; and what takes most of it.

    None without a source of colour.
    """
    if colour is None or colour.ndim == 2:
        return None, ""
    area = target.copy() if target is not None else ~sky
    name = "target" if target is not None else "picture off the blank sky (no target was found)"
    left = [int(area.sum())]
    area &= ~star_mask
    left.append(int(area.sum()))
    sources = [s.colour for s in (a, b) if s.colour is not None]
    box = bounds(area, BLUR_MARGIN_PX)
    for source in sources[:1] if sources[0] is sources[-1] else sources:
        planes = cv2.GaussianBlur(lab(source[box]), (0, 0), COLOUR_BLUR_PX)
        area[box] &= np.hypot(planes[..., 1], planes[..., 2]) > COLOUR_MIN_CHROMA
    left.append(int(area.sum()))
    for subject in (a, b):
        area &= as_rgb(subject.picture).max(2) < CLIPPED
    left.append(int(area.sum()))
    return area, _loss(name, left)


def _loss(name: str, left: list[int]) -> str:
    """What takes most of the pixels that could be judged; ``left``: whole, off stars, coloured, unclipped."""
    if left[0] < LEAST_TARGET_PX:
        return f"the {name} is too small, {left[0]} px"
    lost = [before - after for before, after in itertools.pairwise(left)]
    most = int(np.argmax(lost))
    share = f"{100 * lost[most] / left[0]:.0f} %"
    return (
        f"the star mask covers {share} of the {name}",
        f"{share} of the {name} has hardly any colour, less than C* {COLOUR_MIN_CHROMA:g}",
        f"{share} of the {name} is clipped",
    )[most]


def _target_box(shape: tuple[int, int], target: Mask | None) -> Box:
    """The square around the target, 1.3 times its size, at most 2048 px a side; the middle of the picture without a target."""
    if target is None or not target.any():
        centre, half = (shape[0] / 2, shape[1] / 2), max(shape) / 2
    else:
        rows, columns = bounds(target)
        centre = ((rows.start + rows.stop) / 2, (columns.start + columns.stop) / 2)
        half = max(1.3 * max(rows.stop - rows.start, columns.stop - columns.start) / 2, MIN_WINDOW_PX / 2)
    half = min(half, MAX_WINDOW_PX / 2)
    low = [int(max(c - half, 0)) for c in centre]
    high = [int(min(c + half, size)) for c, size in zip(centre, shape, strict=True)]
    return slice(low[0], high[0]), slice(low[1], high[1])


def bounds(mask: Mask, margin: int = 0) -> Box:
    """Rows and columns that hold everything masked in, widened by a margin; all of them for an empty mask."""
    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    if not len(rows):
        return slice(0, mask.shape[0]), slice(0, mask.shape[1])
    return (
        slice(max(int(rows[0]) - margin, 0), min(int(rows[-1]) + 1 + margin, mask.shape[0])),
        slice(max(int(columns[0]) - margin, 0), min(int(columns[-1]) + 1 + margin, mask.shape[1])),
    )


def _with_shape_stars(ground: Ground, a: Subject, b: Subject) -> Ground:
    """Choose the stars whose shape is measured: isolated, clipped in neither, off the target if enough are, fitted well in both."""
    chosen = ground.isolated
    clear = np.array([all(_unclipped(s, ground.stars[i], ground.fwhm) for s in (a, b)) for i in chosen], bool)
    chosen = chosen[clear] if len(chosen) else chosen
    if ground.target is not None and len(chosen):
        x, y = ground.stars[chosen, 0].round().astype(int), ground.stars[chosen, 1].round().astype(int)
        off = ~ground.target[y, x]
        if off.sum() >= 2 * MIN_STARS:
            chosen = chosen[off]
    chosen = chosen[:MAX_STARS]
    if len(chosen) >= MIN_STARS:
        good = np.ones(len(chosen), bool)
        for subject in (a, b):
            good &= fit_mean_star(shape_plane(subject, ground), ground.stars[chosen], fwhm=ground.fwhm).good
        chosen = chosen[good]
    return replace(ground, shape_stars=chosen)


def _unclipped(subject: Subject, star: Array, fwhm: float) -> bool:
    box = box_around(star, fwhm, subject.picture.shape)
    if subject.saturated is not None and subject.saturated[box].any():
        return False
    return bool(subject.picture[box].max() < UNCLIPPED)


def box_around(star: Array, radius: float, shape: tuple[int, ...]) -> Box:
    """Rows and columns within ``radius`` px of a star, cut at the edge."""
    x, y, r = round(float(star[0])), round(float(star[1])), int(np.ceil(radius))
    return slice(max(y - r, 0), min(y + r + 1, shape[0])), slice(max(x - r, 0), min(x + r + 1, shape[1]))


def shape_plane(subject: Subject, ground: Ground) -> Plane:
    """The plane in which star shapes are measured: linear luminance, or the picture as shown where the stretch is not known."""
    if ground.linear:
        assert subject.linear is not None
        return working_luminance(subject.linear)
    return working_luminance(decode_srgb(as_rgb(subject.picture)))


# ---------------------------------------------------------------- pictures
def as_rgb(picture: DisplayRGB) -> DisplayRGB:
    """(H, W, 3), also of a mono picture."""
    return picture if picture.ndim == 3 else np.repeat(picture[..., None], 3, 2)


def lab(picture: DisplayRGB) -> Array:
    """(H, W, 3) float32 CIELAB (D65) of a display picture."""
    return np.asarray(linear_to_lab(decode_srgb(as_rgb(picture))), np.float32)


def lightness(picture: DisplayRGB) -> Plane:
    """(H, W) float32 L* of a display picture."""
    return np.ascontiguousarray(lab(picture)[..., 0])
