"""The list of measures is complete and well-formed."""

import re

import pytest

from layerblend.evidence import ground, local_colour, measures
from layerblend.evidence.catalogue import BANDS, GROUP_NAMES, KINDS, band_name
from layerblend.evidence.measures import BAND_GROUPS, GROUPS


@pytest.mark.parametrize("name", KINDS)
def test_every_kind_is_well_formed(name):
    kind = KINDS[name]
    assert kind.better in {"lower", "higher"} or re.fullmatch(r"toward [01]", kind.better)
    assert kind.phrase and kind.method and kind.small > 0
    assert "{" not in kind.method


def test_bands_are_there_and_every_group_has_a_name():
    for low, high in BANDS:
        assert band_name("detail SNR", low, high) in KINDS
        assert band_name("contrast", low, high) in KINDS
    assert set(GROUP_NAMES) == {group.__name__ for group in (*GROUPS, *BAND_GROUPS)}


@pytest.mark.parametrize(
    ("name", "numbers"),
    [
        ("star flux ratio", {"aperture of 10 px": measures.APERTURE_PX}),
        ("core clipping", {"within 3 px": measures.CORE_RADIUS_PX, "the 100 brightest": measures.CORE_STARS, ".995": measures.CORE_CLIP}),
        ("clipped", {".999": ground.CLIPPED, "tiles of 64 px": measures.SKY_TILE_PX}),
        ("crushed", {".001": measures.CRUSHED}),
        ("sky chroma noise", {"tiles of 64 px": measures.SKY_TILE_PX}),
        ("sky chroma noise (single picture)", {"differences 4 px": measures.SINGLE_LAG_PX}),
        ("sky chroma mottle (single picture)", {"differences 24 px": 4 * measures.MOTTLE_BLUR_PX, "sigma 6 px": measures.MOTTLE_BLUR_PX}),
        ("sky a*", {"tiles of 128 px": measures.GRADIENT_TILE_PX}),
        ("hue shift", {"sigma 3 px": ground.COLOUR_BLUR_PX, "above 4": ground.COLOUR_MIN_CHROMA, "32 or": measures.COLOUR_TILE_PX}),
        ("local colour difference", {"over 2 star": local_colour.SMOOTH_FWHM}),
    ],
)
def test_methods_tell_the_numbers_that_are_used(name, numbers):
    for words, used in numbers.items():
        assert words in KINDS[name].method
        assert float(re.search(r"\d*\.?\d+", words).group(0)) == used


def test_a_place_is_warned_of_from_what_is_worth_naming():
    assert KINDS["local colour difference"].small == local_colour.SEEN
