"""Verdicts: right on pairs known to be better or worse, silent on equal ones, and warned against one-sided numbers."""

import json
from dataclasses import replace
from functools import partial

import cv2
import numpy as np
import pytest
import scipy.stats

from layerblend.errors import ArgumentError
from layerblend.evidence.catalogue import BANDS, KINDS, band_name
from layerblend.evidence.correlation import NOTHING_SHARED, agreement, band_contrast, band_snr, half_spectra
from layerblend.evidence.estimates import BandEstimate, Estimate, PlaceEstimate, mean_estimate
from layerblend.evidence.ground import common_ground
from layerblend.evidence.measures import Spectra, Subject, all_spectra
from layerblend.evidence.verdict import (
    A_BETTER,
    B_BETTER,
    NONE_SHOWN,
    WORST,
    Comparison,
    Measure,
    _above_bound,
    _flux_flags,
    _is_foreign,
    _judge,
    _order,
    _pattern_flags,
    _process_flags,
    _senseless,
    _sentence,
    compare_subjects,
)
from layerblend.maths.curve import unstretch
from tests.scenes import evidence as scenes

FWHM = {0: 2.8, 1: 3.4, 2: 4.0, 3: 4.8}
KEYS = {"name", "unit", "better", "a", "b", "difference", "interval", "method", "verdict"}


@pytest.fixture(scope="module")
def made():
    scene = scenes.make_scene(11, size=320, stars=49)
    everything = scenes.draw_stack(scene, dict.fromkeys(range(4), 1), fwhm=FWHM)
    best = scenes.draw_stack(scene, {0: 1, 1: 1}, fwhm=FWHM)
    curve = scenes.make_curve(everything, scene)
    plain = scenes.make_subject("plain", scene, everything, curve=curve)
    sharp = scenes.make_subject("best50", scene, best, curve=curve)
    return scene, curve, plain, sharp


def processed(subject, curve, name, change):
    picture, a, b = (np.clip(change(p), 0, 0.9999).astype(np.float32) for p in (subject.picture, subject.half_a, subject.half_b))
    return replace(subject, name=name, picture=picture, half_a=a, half_b=b, linear=unstretch(picture, curve))


def verdicts(comparison):
    return {m.name: m.verdict for m in comparison.measures}


def test_identical_results_show_no_difference(made):
    _, _, plain, _ = made
    comparison = compare_subjects(plain, replace(plain, name="twin"))
    assert len(comparison.measures) > 25
    assert {m.verdict for m in comparison.measures} == {NONE_SHOWN}
    assert all(m.difference == 0 for m in comparison.measures)
    assert not comparison.flags and not comparison.unmeasured


def test_sharper_and_noisier_stack(made):
    _, _, plain, sharp = made
    comparison = compare_subjects(sharp, plain)
    found = verdicts(comparison)
    for name in ("star fwhm_major", "contrast 0.10-0.15", "contrast 0.15-0.20"):
        assert found[name] == A_BETTER, name
    for name in ("sky lightness noise", "sky chroma noise", "detail SNR 0.05-0.10"):
        assert found[name] == B_BETTER, name
    order = [m.verdict for m in comparison.measures]
    assert order == sorted(order, key=[B_BETTER, A_BETTER, NONE_SHOWN].index)
    words = comparison.words()
    assert "plain is better" in words[0]
    assert any(w.startswith("Star width: best50 is better") for w in words)
    assert not comparison.flags


def test_the_picture_that_colour_is_measured_against_is_named_as_such():
    def told(name, a, b):
        return _sentence([Measure(name, "dE00", "lower", a, b, a - b, (a - b, a - b), "", B_BETTER)], "mine", "plain")

    assert told("colour difference", 0.3, 0.0).endswith("(it is the picture that this is measured against).")
    assert "measured against" not in told("colour difference", 0.3, 0.1)


def test_signal_to_noise_in_plenty_is_too_little_to_see():
    def told(a, b):
        return _sentence([Measure("detail SNR 0.02-0.05", "", "higher", a, b, a - b, (a - b, a - b), "", B_BETTER)], "mine", "plain")

    assert told(2000.0, 3000.0).endswith("too little to see.")
    assert not told(700.0, 3000.0).endswith("too little to see.")


def test_swapping_the_two_mirrors_everything(made):
    _, _, plain, sharp = made
    forth, back = compare_subjects(sharp, plain), compare_subjects(plain, sharp)
    mirrored = {m.name: m for m in back.measures}
    for m in forth.measures:
        other = mirrored[m.name]
        assert m.difference == pytest.approx(-other.difference, abs=1e-9)
        assert m.interval[0] == pytest.approx(-other.interval[1], abs=1e-6 + 1e-6 * abs(m.difference))
        assert {A_BETTER: B_BETTER, B_BETTER: A_BETTER}.get(m.verdict, NONE_SHOWN) == other.verdict


def test_json_has_the_fixed_form(made):
    _, _, plain, sharp = made
    data = compare_subjects(sharp, plain).as_json()
    assert json.loads(json.dumps(data, allow_nan=False)) == data
    assert (data["a"], data["b"], data["confidence"]) == ("best50", "plain", 0.95)
    for m in data["measures"]:
        assert set(m) == KEYS
        assert m["difference"] == pytest.approx(m["a"] - m["b"])
        assert m["interval"][0] <= m["difference"] <= m["interval"][1]
        assert m["verdict"] in {A_BETTER, B_BETTER, NONE_SHOWN}
        if m["verdict"] != NONE_SHOWN:
            assert m["interval"][0] > 0 or m["interval"][1] < 0
        if m["better"] == "lower" and m["verdict"] == A_BETTER:
            assert m["interval"][1] < 0


def test_smoothing_is_named(made):
    _, curve, plain, _ = made
    soft = processed(plain, curve, "soft", lambda p: cv2.GaussianBlur(p, (0, 0), 1.5))
    found = verdicts(compare_subjects(soft, plain))
    assert found["sky lightness noise"] == A_BETTER and found["contrast 0.15-0.20"] == B_BETTER
    median = processed(plain, curve, "median", lambda p: cv2.medianBlur(p, 5))
    comparison = compare_subjects(median, plain)
    assert any("median" in flag and "smoothing" in flag for flag in comparison.flags)


def test_sharpening_is_named(made):
    _, curve, plain, _ = made
    crisp = processed(plain, curve, "crisp", lambda p: p + 0.7 * (p - cv2.GaussianBlur(p, (0, 0), 2)))
    comparison = compare_subjects(crisp, plain)
    assert any("crisp" in f and "sharpening" in f for f in comparison.flags)
    assert verdicts(comparison)["contrast 0.15-0.20"] == A_BETTER
    assert verdicts(comparison)["sky lightness noise"] == B_BETTER
    assert verdicts(comparison)["detail SNR 0.10-0.15"] == NONE_SHOWN


def test_eroded_stars_are_named(made):
    _, curve, plain, _ = made

    def erode(picture):
        small = cv2.erode(picture, np.ones((3, 3), np.uint8))
        return picture + 0.7 * (small - picture)

    comparison = compare_subjects(processed(plain, curve, "eroded", erode), plain)
    found = verdicts(comparison)
    assert found["star flux ratio"] == B_BETTER and found["star fwhm_major"] == A_BETTER
    assert any("eroded, not sharper" in flag for flag in comparison.flags)


@pytest.mark.parametrize("strength", [0.03, 0.15])
def test_detail_shared_by_both_halves_is_manufactured(made, strength):
    """A texture painted into picture and halves alike is signal to the correlation, beyond what the frames carry."""
    scene, curve, plain, _ = made
    rng = np.random.default_rng(2)
    grain = cv2.GaussianBlur(rng.normal(0, 1, scene.target.shape).astype(np.float32), (0, 0), 1.0)
    texture = (strength * grain * cv2.GaussianBlur(scene.target.astype(np.float32), (0, 0), 8))[..., None]
    painted = processed(plain, curve, "painted", lambda p: p + texture)
    assert any("painted" in f and "manufactured" in f for f in compare_subjects(painted, plain).flags)


def test_calming_noise_between_the_details_is_not_manufacturing(made):
    """The same weights on both halves, from the truth: the signal to noise of the whole honestly rises above that of the frames."""
    scene, curve, plain, _ = made
    light = scene.starless.mean(2).astype(np.float32)
    detail = cv2.GaussianBlur((light - cv2.GaussianBlur(light, (0, 0), 2)) ** 2, (0, 0), 4)
    weight = (detail / (detail + np.quantile(detail[scene.target], 0.6)))[..., None]

    def calm(p):
        smooth = cv2.GaussianBlur(p, (0, 0), 2.5)
        return smooth + weight * (p - smooth)

    calmed = processed(plain, curve, "calmed", calm)
    ground = common_ground(calmed, plain)
    seen, frames = (all_spectra(s, ground) for s in (calmed, plain))
    assert band_snr(seen.picture, 0.10, 0.15) > 1.15 * band_snr(frames.shown_source, 0.10, 0.15)
    assert agreement(seen.picture, seen.shown_source, 0.10, 0.15) > 0.85
    assert agreement(frames.shown_source, frames.shown_source, 0.10, 0.15) == pytest.approx(1, abs=1e-6)
    assert not any("manufactured" in f for f in compare_subjects(calmed, plain).flags)


def test_two_foreign_pictures(made):
    _, _, plain, sharp = made
    a, b = Subject("first.tif", sharp.picture), Subject("second.tif", plain.picture)
    comparison = compare_subjects(a, b)
    found = verdicts(comparison)
    assert found["star fwhm_major as shown"] == A_BETTER
    assert found["sky lightness noise (single picture)"] == B_BETTER
    assert "clipped" in found and "sky a*" in found
    why = dict(comparison.unmeasured)
    assert "half-set" in why["Contrast of detail"] and "stretch" in why["Star flux"] and "colour source" in why["Colour of the target"]
    assert any("not compared" in w for w in comparison.words())
    assert any("star list" in w for w in comparison.words())


def test_foreign_against_own_uses_one_method_for_both(made):
    _, _, plain, _ = made
    names = verdicts(compare_subjects(plain, Subject("theirs.tif", plain.picture)))
    assert "sky lightness noise (single picture)" in names and "sky lightness noise" not in names


COLOURED = {"sky chroma noise", "sky chroma mottle", "left-over gradient chroma", "sky a*", "sky b*", "hue shift", "chroma ratio", WORST}


def test_a_result_and_its_own_saved_picture_differ_in_no_colour(made):
    """The picture's file does not tell the saturation that was asked for; what is taken out of one must not stay in the other."""
    own = replace(made[3], saturation=1.3)
    comparison = compare_subjects(own, Subject(name="file", picture=own.picture))
    assert all(m.difference == 0 for m in comparison.measures if m.name in {"chroma ratio", "colour difference", "hue shift"})
    assert any("saturation that `file` was given is not known" in text for text in comparison.words())
    assert not any("saturation that" in text for text in compare_subjects(own, replace(own, saturation=1.0)).words())


def test_a_picture_of_another_place_is_warned_of(made):
    own = made[3]
    turned = Subject(name="turned", picture=np.ascontiguousarray(own.picture[::-1]))
    assert any("`turned` does not lie on" in flag for flag in compare_subjects(own, turned).flags)
    assert not any("lie on" in flag for flag in compare_subjects(own, Subject(name="file", picture=own.picture)).flags)


def grey(subject, shape):
    """A mono result: one plane, or three that differ by rounding alone."""
    planes = {key: getattr(subject, key).mean(2) for key in ("picture", "half_a", "half_b", "linear", "colour")}
    if shape == "three channels":
        planes = {key: np.stack([plane, plane, plane * np.float32(1 + 1e-6)], 2) for key, plane in planes.items()}
    return replace(subject, **planes, reference=subject.reference.mean(2))


@pytest.mark.parametrize("shape", ["one channel", "three channels"])
def test_of_mono_pictures_no_colour_is_judged_and_that_is_said_once(made, shape):
    _, _, plain, sharp = made
    comparison = compare_subjects(grey(sharp, shape), grey(plain, shape))
    found = verdicts(comparison)
    assert found["sky lightness noise"] == B_BETTER and "left-over gradient lightness" in found
    assert not COLOURED & set(found)
    said = [word for word in comparison.words() if "olour" in word]
    assert said == ["Colour not compared: both pictures are mono."]


def test_a_mono_picture_beside_one_in_colour(made):
    _, _, plain, sharp = made
    comparison = compare_subjects(Subject("grey", sharp.picture.mean(2)), plain)
    assert not COLOURED & set(verdicts(comparison))
    assert "Colour not compared: `grey` is mono." in comparison.words()
    drained = replace(plain, name="drained", picture=np.repeat(plain.picture.mean(2, keepdims=True), 3, 2))
    assert verdicts(compare_subjects(drained, plain))["chroma ratio"] == B_BETTER  # a colour stack that lost its colour is no mono set


# ---------------------------------------------------------------- colour anywhere in the picture
def full(subject, plain):
    return replace(subject, colour=plain.colour, colour_a=plain.half_a, colour_b=plain.half_b)


def test_a_violet_disc_under_the_star_mask_is_warned_of_with_its_place(made):
    scene, curve, plain, _ = made
    yy, xx = np.mgrid[:320, :320]
    star = next(s for s in scene.stars if 60 < s[0] < 260 and 60 < s[1] < 260)
    disc = cv2.GaussianBlur((np.hypot(xx - star[0], yy - star[1]) < 30).astype(np.float32), (0, 0), 4)[..., None]
    violet = full(processed(plain, curve, "violet", lambda p: p + disc * np.float32([0.02, 0, 0.05])), plain)
    mask = np.hypot(xx - star[0], yy - star[1]) < 60
    comparison = compare_subjects(replace(violet, star_mask=mask), replace(full(plain, plain), star_mask=mask))
    assert verdicts(comparison)[WORST] == B_BETTER
    warned = [flag for flag in comparison.flags if "violet lies" in flag]
    assert len(warned) == 1 and "toward" in warned[0] and warned[0] in comparison.words()
    place = comparison.as_json()["places"][0]
    assert place["picture"] == "violet" and place["seen"] and np.hypot(place["x"] - star[0], place["y"] - star[1]) < 40
    assert f"x {place['x']:.0f}, y {place['y']:.0f}" in warned[0]
    assert any(w.startswith("Colour at the worst place, stars and all: plain is better, 0 against") for w in comparison.words())


def test_a_good_picture_is_not_warned_of(made):
    _, _, plain, sharp = made
    comparison = compare_subjects(full(sharp, plain), full(plain, plain))
    assert WORST in verdicts(comparison) and not comparison.flags
    assert not any(place.seen for place in comparison.places)


# ---------------------------------------------------------------- what cannot be measured
def test_where_stars_cover_the_window_detail_is_not_judged_and_nothing_is_called_made(made):
    _, curve, plain, sharp = made
    rng = np.random.default_rng(2)
    grain = 0.2 * cv2.GaussianBlur(rng.normal(0, 1, (320, 320, 1)).astype(np.float32), (0, 0), 1.0)[..., None]
    painted = processed(sharp, curve, "painted", lambda p: p + grain)
    mask = np.ones((320, 320), bool)
    mask[::40, ::40] = False
    comparison = compare_subjects(replace(painted, star_mask=mask), replace(plain, star_mask=mask))
    why = dict(comparison.unmeasured)
    assert (
        why["Signal to noise of detail in the source stack"]
        == why["Contrast of detail"]
        == "stars cover 100 % of the window that detail is judged in"
    )
    assert not any(name.startswith(("detail SNR", "contrast")) for name in verdicts(comparison))
    assert not comparison.flags


def test_the_stack_itself_is_neither_sharpened_nor_manufactured(made):
    _, curve, plain, _ = made
    crisp = processed(plain, curve, "crisp", lambda p: p + 0.7 * (p - cv2.GaussianBlur(p, (0, 0), 2)))
    assert any("sharpening" in flag for flag in compare_subjects(plain, crisp).flags)
    assert not compare_subjects(plain, replace(crisp, unprocessed=True)).flags


def halves_of(seed, signal, noise, *, apart=0.0, against=0.0):
    """Spectra of a white signal; ``apart``: how much brighter one half is; ``against``: structure of opposite sign in both."""
    rng = np.random.default_rng(seed)
    light, other, *noises = rng.normal(0, 1, (4, 192, 192))
    parts = [signal * (1 + sign * apart) * light + sign * against * other + noise * n for sign, n in zip((1, -1), noises, strict=True)]
    return half_spectra(*(part.astype(np.float32) for part in parts))


def band(spectra, *, contrast=False):
    value = band_contrast(spectra, 0.1, 0.15) if contrast else band_snr(spectra, 0.1, 0.15)
    return BandEstimate(value, spectra, 0.1, 0.15, contrast)


@pytest.mark.parametrize(
    ("first", "second", "why"),
    [
        ((1.0, 0.5, 0.0, 0.0), (1.0, 0.6, 0.0, 0.0), ""),
        ((0.0, 1.0, 0.0, 0.0), (0.02, 1.0, 0.0, 0.0), "does not rise above the noise in either"),
        ((0.5, 1.0, 0.0, 0.0), (0.0, 1.0, 0.0, 0.0), ""),  # one shows what the other lost
        ((0.0, 1.0, 0.0, 1.0), (1.0, 0.5, 0.0, 0.0), "contradict each other"),
        ((1.0, 1e-4, 0.01, 0.0), (1.0, 1e-4, 0.0, 0.0), "differ more in brightness and sharpness than by noise"),
        ((1.0, 0.01, 0.0, 0.0), (1.0, 0.01, 0.0, 0.0), ""),  # little noise, but noise
        ((1.0, 0.1, 0.2, 0.0), (1.0, 0.1, 0.0, 0.0), ""),  # brightness differs, but the noise of 50 is no plenty
    ],
)
def test_bands_without_sense_are_left_out_with_their_reason(first, second, why):
    spectra = [halves_of(i, s, n, apart=apart, against=against) for i, (s, n, apart, against) in enumerate((first, second))]
    found = _senseless(*(band(s) for s in spectra), 0.95)
    assert why in found and bool(found) == bool(why)


def test_contrast_that_noise_hides_in_both_is_left_out():
    faint, clear = halves_of(1, 0.02, 1.0), halves_of(2, 0.5, 1.0)
    assert "noise in either" in _senseless(band(faint, contrast=True), band(faint, contrast=True), 0.95)
    assert not _senseless(band(clear, contrast=True), band(faint, contrast=True), 0.95)


def test_noise_alone_rarely_passes_for_detail():
    """Of 60 pairs of halves without any signal some 5 % stand out by chance."""
    passed = sum(band(halves_of(seed, 0.0, 1.0)).stands_out(1.96) for seed in range(60))
    assert passed <= 6


def test_what_noise_hides_in_one_has_no_share():
    measure = _judge("detail SNR 0.10-0.15", band(halves_of(1, 0.6, 1.0)), band(halves_of(2, 0.0, 1.0)), 0.95)
    assert measure.verdict == A_BETTER and measure.hidden == "b"
    told = _sentence([measure], "mine", "theirs")
    assert told.endswith("(in theirs it does not rise above the noise).") and "%" not in told
    both = _sentence([measure, replace(measured("detail SNR 0.15-0.20", 2.0, 1.0), hidden="")], "mine", "theirs")
    assert both == "Signal to noise of detail in the source stack at 5-7 and 7-10 px: mine is better, 100 % more."


def test_bands_left_out_are_told_together_by_reason(made):
    """Halves of one brightness less: no noise that could be told in any band, and one sentence says so."""
    _, _, plain, sharp = made

    def apart(subject, sign):
        smooth = [cv2.GaussianBlur(half, (0, 0), 1.5) for half in subject.detail_halves]
        mean = (smooth[0] + smooth[1]) / 2
        return replace(subject, detail_a=mean * np.float32(1 + sign * 0.01), detail_b=mean * np.float32(1 - sign * 0.01))

    comparison = compare_subjects(apart(sharp, 1), apart(plain, -1))
    assert not any(name.startswith("detail SNR") for name in verdicts(comparison))
    said = [word for word in comparison.words() if word.startswith("Signal to noise of detail in the source stack at")]
    assert said == [
        "Signal to noise of detail in the source stack at 3-5, 5-7, 7-10, 10-20 and 20-50 px not compared: above 1,000, where the "
        "half-sets differ more in "
        "brightness and sharpness than by noise."
    ]


def test_structure_is_foreign_where_there_is_more_of_it_than_noise_can_hide():
    source = halves_of(3, 0.05, 1.0)
    assert not _is_foreign(halves_of(3, 0.05, 0.3), source, 0.1, 0.15)  # the same, with its noise calmed
    assert _is_foreign(halves_of(4, 0.6, 0.3), source, 0.1, 0.15)
    assert _is_foreign(halves_of(4, 0.6, 0.3), None, 0.1, 0.15)


@pytest.mark.parametrize("seed", [7, 8])
def test_structure_is_not_foreign_where_the_source_shows_a_trace_of_it(seed):
    """Sharpening made it strong; in the source alone it cannot be told from noise."""
    source = halves_of(seed, 0.14, 1.0)
    assert agreement(halves_of(seed, 0.6, 0.3), source, 0.1, 0.2) is None
    assert not _is_foreign(halves_of(seed, 0.6, 0.3), source, 0.1, 0.2)
    assert _is_foreign(halves_of(seed + 20, 0.6, 0.3), source, 0.1, 0.2)


def estimate(value, sd, n=100):
    rng = np.random.default_rng(1)
    pull = rng.normal(size=n)
    pull = (pull - pull.mean()) / pull.std() * sd * np.sqrt(n)
    return Estimate(value, pull)


@pytest.mark.parametrize(
    ("a", "b", "expected"),
    [(0.99, 0.90, A_BETTER), (1.01, 1.20, A_BETTER), (0.80, 1.05, B_BETTER), (0.95, 1.05, NONE_SHOWN), (1.0, 1.0, NONE_SHOWN)],
)
def test_best_toward_a_value(a, b, expected):
    first, second = estimate(a, 0.005), estimate(b, 0.005)
    second = replace(second, influence=-second.influence[::-1])
    assert _judge("star flux ratio", first, second, 0.95).verdict == expected


def test_confidence_widens_the_interval_and_is_checked(made):
    _, _, plain, sharp = made
    first, second = estimate(1.0, 0.01), replace(estimate(0.98, 0.01), influence=estimate(0, 0.01).influence[::-1])
    narrow, wide = (_judge("star fwhm_major", first, second, c).interval for c in (0.8, 0.99))
    assert wide[0] < narrow[0] < narrow[1] < wide[1]
    with pytest.raises(ArgumentError, match="confidence"):
        compare_subjects(sharp, plain, confidence=1.2)


def test_same_answer_every_time(made):
    _, _, plain, sharp = made
    assert compare_subjects(sharp, plain).as_json() == compare_subjects(sharp, plain).as_json()


# ---------------------------------------------------------------- which is better, and how it is said
BETTER_WORSE = {
    "star fwhm_major": (3.0, 3.4),
    "star eccentricity": (0.2, 0.5),
    "star flux ratio": (1.02, 0.9),
    "core clipping": (1.0, 5.0),
    "ringing": (-0.2, -2.0),
    "sky lightness noise": (0.5, 0.8),
    "sky chroma noise": (0.5, 0.8),
    "sky lightness mottle": (0.1, 0.2),
    "sky chroma mottle": (0.1, 0.2),
    "left-over gradient lightness": (0.2, 0.9),
    "left-over gradient chroma": (0.2, 0.9),
    "sky a*": (-0.5, 1.5),
    "sky b*": (0.5, -1.5),
    "clipped": (0.1, 2.0),
    "crushed": (0.1, 2.0),
    "hue shift": (1.0, -8.0),
    "chroma ratio": (0.95, 1.3),
    "colour difference": (1.0, 3.0),
    "local colour difference": (0.5, 4.0),
    **{band_name(kind, *band): (3.0, 2.0) for kind in ("detail SNR", "contrast") for band in BANDS},
}


@pytest.mark.parametrize("name", KINDS)
def test_every_measure_knows_what_is_better(name):
    made = partial(PlaceEstimate, sure=1e-3, place=(0.0, 0.0), hue="blue", extent=9.0) if name == WORST else partial(estimate, sd=1e-3)
    good, bad = (made(v) for v in BETTER_WORSE[name.removesuffix(" as shown").removesuffix(" (single picture)")])
    assert _judge(name, good, bad, 0.95).verdict == A_BETTER
    assert _judge(name, bad, good, 0.95).verdict == B_BETTER


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_the_interval_is_that_of_a_paired_t_test(confidence):
    first, second = np.random.default_rng(5).normal(2, 0.4, (2, 9))
    expected = scipy.stats.ttest_rel(first, second).confidence_interval(confidence)
    found = _judge("sky a*", mean_estimate(first), mean_estimate(second), confidence).interval
    assert found == pytest.approx((expected.low, expected.high), rel=1e-9)


def test_what_float32_cannot_hold_is_no_difference():
    still = np.zeros(20)
    assert _judge("sky lightness noise", Estimate(1.0, still), Estimate(1 + 5e-7, still), 0.95).verdict == NONE_SHOWN
    assert _judge("sky lightness noise", Estimate(1.0, still), Estimate(1 + 5e-6, still), 0.95).verdict == A_BETTER


def measured(name, a, b, verdict=None):
    """A measure with a verdict, from its two values alone."""
    if verdict is None:
        verdict = _judge(name, estimate(a, 1e-9), estimate(b, 1e-9), 0.95).verdict
    return Measure(name, KINDS[name].unit, KINDS[name].better, a, b, a - b, (a - b, a - b), "", verdict)


@pytest.mark.parametrize(
    ("measures", "words"),
    [
        ([("star fwhm_major", 3.0, 3.4)], "Star width: mine is better, 3 against 3.4 px (12 % less)."),
        ([("star fwhm_major", 3.4, 3.0)], "Star width: theirs is better, 3 against 3.4 px (12 % less)."),
        ([("sky chroma noise", 1.0, 0.98)], "Colour noise of the sky: theirs is better, 0.98 against 1 C* (2 % less), too little to see."),
        ([("hue shift", -8.0, 2.0)], "Hue of the target: theirs is better, 2 against -8 deg (best: 0)."),
        ([("chroma ratio", 0.9, 1.2)], "Saturation of the target: mine is better, 0.9 against 1.2 (best: 1)."),
        # CIE 15: a* runs from green to magenta, b* from blue to yellow
        ([("sky a*", 0.2, 1.5)], "Green-magenta cast of the sky: mine is better, 0.2 against 1.5 a* (best: 0)."),
        ([("sky b*", 0.2, -1.5)], "Blue-yellow cast of the sky: mine is better, 0.2 against -1.5 b* (best: 0)."),
        ([("core clipping", 9.0, 0.0)], "Clipping of star cores: theirs is better, 0 against 9 %."),
        (
            [("detail SNR 0.02-0.05", 999.7, 12345.0)],
            "Signal to noise of detail in the source stack at 20-50 px: theirs is better, 12,300 against 1,000 (1135 % more).",
        ),
        (
            [("contrast 0.10-0.15", 2.0, 2.2), ("contrast 0.20-0.30", 1.0, 1.5), ("contrast 0.05-0.10", 5.0, 5.05)],
            "Contrast of detail at 3-5, 7-10 and 10-20 px: theirs is better, 1 to 50 % more.",
        ),
        ([("contrast 0.10-0.15", 2.0, 2.01), ("contrast 0.20-0.30", 1.0, 1.005)],
         "Contrast of detail at 3-5 and 7-10 px: theirs is better, 0 % more, too little to see."),
        ([("contrast 0.10-0.15", 2.0, 0.0), ("contrast 0.15-0.20", 1.0, 0.0)], "Contrast of detail at 5-7 and 7-10 px: mine is better."),
    ],
)  # fmt: skip
def test_sentences(measures, words):
    assert _sentence([measured(*m) for m in measures], "mine", "theirs") == words


def test_words_begin_with_what_was_lost_and_end_with_what_is_the_same():
    measures = (
        measured("sky chroma noise", 1.0, 0.98),
        measured("star fwhm_major", 3.4, 3.0),
        measured("contrast 0.10-0.15", 2.0, 1.0),
        measured("contrast 0.15-0.20", 1.0, 1.0, NONE_SHOWN),
        measured("sky a*", 0.5, 0.5, NONE_SHOWN),
        measured("detail SNR 0.02-0.05", 9.0, 9.0, NONE_SHOWN),
        measured("detail SNR 0.05-0.10", 9.0, 9.0, NONE_SHOWN),
    )
    comparison = Comparison("mine", "theirs", 0.95, measures, ("A flag.",), (("Star flux", "no stack"),), ("A note.",))
    assert comparison.words() == [
        "Star width: theirs is better, 3 against 3.4 px (12 % less).",
        "A flag.",
        "Contrast of detail at 7-10 px: mine is better, 2 against 1 L* (100 % more).",
        "Colour noise of the sky: theirs is better, 0.98 against 1 C* (2 % less), too little to see.",
        "No difference shown in: contrast of detail at 5-7 px, green-magenta cast of the sky, "
        "signal to noise of detail in the source stack.",
        "Star flux not compared: no stack.",
        "A note.",
    ]


def test_what_is_seen_most_stands_on_top():
    """In just visible steps: a tenth of the width is ten, a turn from 2 to -8 degrees six, a quarter of the noise five."""
    width, hue, noise = measured("star fwhm_major", 3.3, 3.0), measured("hue shift", -8.0, 2.0), measured("sky chroma noise", 5.0, 4.0)
    assert [m.weight for m in (width, hue, noise)] == pytest.approx([10, 6, 5])
    won, same = measured("star fwhm_major", 1.0, 3.0), measured("sky a*", 9.0, 1.0, NONE_SHOWN)
    assert sorted((same, noise, won, hue, width), key=_order) == [width, hue, noise, won, same]


def test_narrow_stars_that_lost_light_are_named_whichever_they_are(made):
    _, _, plain, _ = made
    a, b = replace(plain, name="mine"), replace(plain, name="theirs")
    warning = "Warning: the stars of {} are narrower but hold only {} of their light: eroded, not sharper."
    flux = measured("star flux ratio", 0.9, 1.0)
    assert _flux_flags([measured("star fwhm_major", 3.0, 3.4), flux], a, b) == [warning.format("mine", "90%")]
    assert _flux_flags([measured("star fwhm_major", 3.4, 3.0), measured("star flux ratio", 1.0, 0.85)], a, b) == [
        warning.format("theirs", "85%")
    ]
    assert not _flux_flags([measured("star fwhm_major", 3.4, 3.0), flux], a, b)  # the wider ones lost it
    assert not _flux_flags([measured("star fwhm_major", 3.0, 3.4), measured("star flux ratio", 0.9, 0.92)], a, b)  # both did
    assert not _flux_flags([measured("star fwhm_major", 3.0, 3.4), measured("star flux ratio", 0.97, 1.03)], a, b)
    assert not _flux_flags([flux], a, b)


def white_halves(seed, signal, noise):
    """Spectra of a white signal with white noise in each half: SNR of the whole is 2 (signal / noise)^2 at every scale."""
    rng = np.random.default_rng(seed)
    light, *noises = rng.normal(0, 1, (3, 192, 192))
    return half_spectra(*((signal * light + noise * n).astype(np.float32) for n in noises))


@pytest.mark.parametrize(
    ("signal", "noise", "source_noise", "word"),
    [
        (0.5, 0.1, 0.5, "Warning: against its luminance source, mine has a higher signal to noise but less contrast at"),
        (2.0, 1.0, 0.5, "Note: against its luminance source, mine has more contrast without more signal to noise at"),
        (2.0, 0.5, 0.5, None),  # both up: real
        (1.05, 0.53, 0.5, None),  # a tenth is not told apart
        (0.5, 0.1, 2.5, None),  # the source's signal to noise is .3: noise hides what was done
    ],
)
def test_what_processing_did_is_told_from_contrast_and_signal_to_noise_together(signal, noise, source_noise, word):
    flags = _process_flags("mine", Spectra(white_halves(1, signal, noise), None, white_halves(1, 1.0, source_noise)))
    assert len(flags) == (word is not None)
    if word is not None:
        assert flags[0].startswith(word) and "0.05-0.10" in flags[0] and "0.20-0.30" in flags[0]


@pytest.mark.parametrize(("signal", "above"), [(1.03, False), (1.1, True)])
def test_a_tenth_above_the_bound_is_let_pass(signal, above):
    """All noise is in common, so that 6 % more is certain, and 21 % too."""
    assert _above_bound(white_halves(1, signal, 0.5), [white_halves(1, 0.5, 0.5), white_halves(1, 1.0, 0.5)], 0.10, 0.15) == above


def test_a_stack_that_carries_more_is_the_bound(made):
    """Texture painted into picture and halves stays below what nearly noiseless frames carry; those of the picture itself carry less."""
    scene, curve, plain, _ = made
    clean = scenes.draw_stack(scene, dict.fromkeys(range(4), 1), fwhm=FWHM, noise=scenes.NOISE / 30)
    rng = np.random.default_rng(2)
    grain = cv2.GaussianBlur(rng.normal(0, 1, scene.target.shape).astype(np.float32), (0, 0), 1.0)
    texture = (0.15 * grain * cv2.GaussianBlur(scene.target.astype(np.float32), (0, 0), 8))[..., None]
    painted = processed(plain, curve, "painted", lambda p: p + texture)

    def accused(bound):
        return any("manufactured" in flag for flag in compare_subjects(painted, plain, bound=bound).flags)

    assert accused(plain.detail_halves)
    assert not accused(clean.luminance_halves)


@pytest.mark.parametrize(("shared", "sd", "told"), [(0.0, 0.01, False), (0.04, 0.007, False), (0.15, 0.007, True), (0.15, 0.05, False)])
def test_a_pattern_that_both_halves_share_is_warned_of_once(shared, sd, told):
    """Rejection leaves .02 to .04 in both; what is told of the same frames twice is said once."""
    found = replace(NOTHING_SHARED, overall=shared, overall_sd=sd)
    flags = _pattern_flags([found, found])
    assert len(flags) == told
    assert all(flag.startswith("Warning: 15 % of the sky's noise") and "walking noise" in flag for flag in flags)
