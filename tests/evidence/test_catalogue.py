"""The list of measures is complete and well-formed."""

import re

import pytest

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
