"""The list of measures: what each is called in a sentence, its unit, which way is better, how it is made."""

from __future__ import annotations

from dataclasses import dataclass

BANDS = ((0.02, 0.05), (0.05, 0.10), (0.10, 0.15), (0.15, 0.20), (0.20, 0.30))  # cycles/px
PLENTY_SNR = 1000.0  # of power: the noise is a thirtieth of the detail


@dataclass(frozen=True)
class Kind:
    """One measure. ``phrase`` names it in a sentence; ``small``: a difference that hardly matters to the eye, a share where ``relative``.

    ``whole``: what a sentence calls it together with its like (all bands of one kind). ``plenty``: where both values are better than this,
    no difference matters to the eye.
    """

    phrase: str
    unit: str
    better: str
    small: float
    relative: bool
    method: str
    whole: str = ""
    plenty: float = float("inf")

    @property
    def family(self) -> str:
        """What a sentence calls it together with its like."""
        return self.whole or self.phrase


SINGLE = " (single picture)"
AS_SHOWN = " as shown"
ALONE = ", by the picture alone"

_FIT = "Moffat fit to the mean unclipped star, {light}; paired over the same stars, interval from each star's pull on the fit"
_LINEAR, _SHOWN = _FIT.format(light="stretch inverted"), _FIT.format(light="in the picture as shown because its stretch is not known")
_STARS = "; paired over the same stars"
_TILES = "; paired over sky tiles of 64 px"
_SQUARES = "; paired over tiles of 64 px"
_HALVES = "1.4826 MAD of half the difference of the half-set pictures on blank sky"
_LAG = "1.4826 MAD of differences {lag} px apart on blank sky over sqrt 2, an upper limit that counts faint stars"
_BLUR = ", blurred sigma 6 px"
_LAG_4, _LAG_24 = _LAG.format(lag=4), _LAG.format(lag=24) + _BLUR
_BROAD = "medians of sky tiles of 128 px (64 px in small pictures), {of}; paired over the tiles"
_COLOUR = "; target without stars against the colour source, both blurred sigma 3 px, C* above 4; paired over tiles of 32 or 16 px"

KINDS: dict[str, Kind] = {
    "star fwhm_major": Kind("star width", "px", "lower", 0.01, True, _LINEAR),
    "star eccentricity": Kind("roundness of the stars", "", "lower", 0.05, False, _LINEAR),
    "star fwhm_major" + AS_SHOWN: Kind("star width as shown", "px", "lower", 0.01, True, _SHOWN),
    "star eccentricity" + AS_SHOWN: Kind("roundness of the stars as shown", "", "lower", 0.05, False, _SHOWN),
    "star flux ratio": Kind(
        "star flux", "", "toward 1", 0.02, False,
        "aperture of 10 px, 2.5 star widths if that is more, stretch inverted, against the stack; trimmed mean" + _STARS,
    ),
    "core clipping": Kind(
        "clipping of star cores", "%", "lower", 1.0, False, "pixels within 3 px of the 100 brightest stars at .995 or above" + _STARS
    ),
    "ringing": Kind(
        "dark rings around stars", "L*", "toward 0", 0.1, False,
        "darkest ring around bright isolated stars less the sky around, 0 if none is darker; trimmed mean" + _STARS,
    ),
    "sky lightness noise": Kind("lightness noise of the sky", "L*", "lower", 0.05, True, _HALVES + _TILES),
    "sky chroma noise": Kind("colour noise of the sky", "C*", "lower", 0.05, True, _HALVES + _TILES),
    "sky lightness mottle": Kind("light blotches in the sky", "L*", "lower", 0.1, True, _HALVES + _BLUR + _TILES),
    "sky chroma mottle": Kind("colour blotches in the sky", "C*", "lower", 0.1, True, _HALVES + _BLUR + _TILES),
    "sky lightness noise" + SINGLE: Kind("lightness noise of the sky" + ALONE, "L*", "lower", 0.05, True, _LAG_4 + _TILES),
    "sky chroma noise" + SINGLE: Kind("colour noise of the sky" + ALONE, "C*", "lower", 0.05, True, _LAG_4 + _TILES),
    "sky lightness mottle" + SINGLE: Kind("light blotches in the sky" + ALONE, "L*", "lower", 0.1, True, _LAG_24 + _TILES),
    "sky chroma mottle" + SINGLE: Kind("colour blotches in the sky" + ALONE, "C*", "lower", 0.1, True, _LAG_24 + _TILES),
    "left-over gradient lightness": Kind("gradient left in the sky", "L*", "lower", 0.2, False, _BROAD.format(of="standard deviation")),
    "left-over gradient chroma": Kind("colour gradient left in the sky", "C*", "lower", 0.2, False, _BROAD.format(of="standard deviation")),
    "sky a*": Kind("green-magenta cast of the sky", "a*", "toward 0", 0.3, False, _BROAD.format(of="mean")),
    "sky b*": Kind("blue-yellow cast of the sky", "b*", "toward 0", 0.3, False, _BROAD.format(of="mean")),
    "clipped": Kind("clipped highlights", "%", "lower", 0.05, False, "pixels whose largest channel is .999 or above" + _SQUARES),
    "crushed": Kind("crushed shadows", "%", "lower", 0.05, False, "pixels whose smallest channel is .001 or below" + _SQUARES),
    "hue shift": Kind("hue of the target", "deg", "toward 0", 1.0, False, "turn of the Oklab hue, weighted by chroma" + _COLOUR),
    "chroma ratio": Kind(
        "saturation of the target", "", "toward 1", 0.02, False, "C* over that of the source, saturation asked for taken out" + _COLOUR
    ),
    "colour difference": Kind("colour error of the target", "dE00", "lower", 0.2, False, "mean CIEDE2000, lightness equal" + _COLOUR),
    "local colour difference": Kind(
        "colour at the worst place, stars and all", "dE00", "lower", 2.3, False,
        "CIEDE2000 against the colour source at equal lightness, over the whole picture but star cores and rims, both blurred over 2 star "
        "widths, without the saturation asked for and a cast of the whole sky; where it lies farthest above the noise of the half-sets, "
        "whose interval is that of the largest of all places",
    ),
}  # fmt: skip


def band_name(kind: str, low: float, high: float) -> str:
    """Name of a measure of one band: "detail SNR 0.05-0.10"."""
    return f"{kind} {low:.2f}-{high:.2f}"


def _band_kinds() -> dict[str, Kind]:
    out = {}
    snr = "Fourier ring correlation of the luminance source's half-sets, 2c/(1-c)"
    contrast = "root of the noise-free power of lightness, from the half-set pictures"
    for kind, whole, unit, small, plenty, method in (
        ("detail SNR", "signal to noise of detail in the source stack", "", 0.05, PLENTY_SNR, snr),
        ("contrast", "contrast of detail", "L*", 0.02, float("inf"), contrast),
    ):
        for low, high in BANDS:
            error = "analytic error with the noise that both share, mask and processing held fixed"
            how = f"{method}, over {low:.2f}-{high:.2f} cycles/px; {error}"
            out[band_name(kind, low, high)] = Kind(f"{1 / high:.0f}-{1 / low:.0f} px", unit, "higher", small, True, how, whole, plenty)
    return out


KINDS.update(_band_kinds())

GROUP_NAMES = {
    "star_shapes": "Star width and roundness",
    "star_flux": "Star flux",
    "core_clipping": "Clipping of star cores",
    "ringing": "Dark rings around stars",
    "sky_noise": "Noise of the sky",
    "sky_level": "Gradient and colour of the sky",
    "limits": "Clipped and crushed pixels",
    "colour_truth": "Colour of the target",
    "local_colour": "Colour of the whole picture, stars and all",
    "detail_snr": "Signal to noise of detail in the source stack",
    "picture_contrast": "Contrast of detail",
}
