"""Results made ready to be judged."""

import base64
import io
import json
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from PIL import Image

from layerblend.evidence.measures import Subject
from layerblend.judge import (
    comparison_files,
    picture_subject,
    plain_subject,
    result_subject,
    sky_mask,
    star_table,
    subject_nodes,
    write_comparison,
)
from layerblend.kinds import Curve, Ellipse, Stack, working_luminance
from layerblend.maths.curve import stretch, unstretch
from layerblend.plan import Names
from layerblend.report.sheet import to_bytes
from tests.conftest import Demo


def test_stars_that_were_taken_out_brightest_first() -> None:
    kind = [("x", float), ("y", float), ("flux", float, (3,)), ("peak", float, (3,)), ("kept", "U8")]
    catalogue = np.array([(1, 2, (1, 1, 1), (1, 1, 1), ""), (3, 4, (4, 2, 4), (1, 2, 1), ""), (5, 6, (9, 9, 9), (1, 1, 1), "knot")], kind)
    np.testing.assert_allclose(star_table(catalogue), [[3, 4, 3, 1.5], [1, 2, 1, 1]])


def test_a_picture_from_elsewhere(demo: Demo) -> None:
    subject = picture_subject(demo.out / "result.tif")
    assert subject.name == "result" and subject.picture.shape == (320, 480, 3) and subject.linear is None


# ---------------------------------------------------------------- a run's results
SHAPE = (60, 90)
CURVE = Curve(p=0.004, s=0.004, norm=6.0, sigma=4e-4, target=0.2)
GALAXY = Ellipse(60, 30, 12, 8)


def plane(value: float) -> np.ndarray:
    return np.full(SHAPE, value, np.float32)


def colours(red: float, green: float, blue: float) -> np.ndarray:
    return np.stack([plane(red), plane(green), plane(blue)], -1)


def run_of(saturation: float = 1.3) -> Any:
    """As much of a run as is asked for: four roles, each a stack of its own."""
    names = Names(stars="sharp", detail="best", colour="deep", plain="all", sky_of=dict.fromkeys(("sharp", "best", "deep", "all"), "all"))
    roles = SimpleNamespace(colour=SimpleNamespace(saturation=saturation, green_ceiling=False), stars=SimpleNamespace(saturation=1.4))
    return SimpleNamespace(names=names, recipe=SimpleNamespace(roles=roles, blend=SimpleNamespace(mode="screen")))


KIND = [("x", float), ("y", float), ("flux", float, 3), ("peak", float, 3), ("saturated", bool), ("kept", "U8")]
CATALOGUE = np.array([(20, 10, (1, 1, 1), (1, 1, 1), False, "")], KIND)


def split(starless: np.ndarray, stars: np.ndarray, mask: np.ndarray, catalogue: np.ndarray = CATALOGUE) -> SimpleNamespace:
    return SimpleNamespace(starless=starless, stars=stars, mask=mask, catalogue=catalogue)


def results() -> dict[str, Any]:
    """What the nodes of `subject_nodes` hold, each told from the others by its values."""
    dark, none = colours(0, 0, 0), np.zeros(SHAPE, bool)
    masks = {name: none.copy() for name in ("best", "deep", "all")}
    for place, mask in enumerate(masks.values()):
        mask[3, place] = True
    other = CATALOGUE.copy()
    other["x"] = 77
    values: dict[str, Any] = {"curve": CURVE, "sky/all": SimpleNamespace(targets=[GALAXY]), "noise/deep": colours(1e-3, 1e-3, 1e-3)}
    values |= {
        name: colours(0.1 + 0.05 * i, 0.1, 0.1) for i, name in enumerate(("result", "result_a", "result_b", "plain", "plain_a", "plain_b"))
    }
    for i, name in enumerate(("sharp", "best", "deep", "all")):
        values[f"cover/{name}"] = SimpleNamespace(brightest=2.0 if name == "best" else 1.0)
        values[f"stack/{name}"] = Stack(dark, saturated=None if name == "all" else plane(0))
        values[f"half_a/{name}"], values[f"half_b/{name}"] = colours(0.1 * i, 0.2, 0.4), colours(0.5, 0.1 * i, 0.3)
    values["stack/best"].saturated[5, 6] = values["stack/deep"].saturated[7, 8] = 0.5
    values["split/best"] = split(dark, colours(0.01, 0.02, 0.04), masks["best"], other)
    values["split/all"] = split(dark, colours(0.04, 0.02, 0.01), masks["all"], other)
    values["split/deep"] = split(dark, dark.copy(), masks["deep"])
    values["linear/deep"] = colours(0.3, 0.2, 0.1)
    return values


def test_a_result_is_judged_by_its_own_detail_stack_and_the_colour_stack() -> None:
    values = results()
    for kind, detail, i, saturation in (("result", "best", 1, 1.3), ("plain", "all", 3, 1.0)):
        subject = result_subject(run_of(), values, "x") if kind == "result" else plain_subject(run_of(), values)
        assert subject.name == {"result": "x", "plain": "plain"}[kind]
        assert subject.picture is values[kind] and subject.half_a is values[f"{kind}_a"] and subject.half_b is values[f"{kind}_b"]
        stars = working_luminance(values[f"split/{detail}"].stars)[0, 0]
        np.testing.assert_allclose(subject.detail_a, (0.1 * i + 0.4 + 0.4) / 4 - stars, rtol=1e-5)
        np.testing.assert_allclose(subject.detail_b, (0.5 + 0.2 * i + 0.3) / 4 - stars, rtol=1e-5)
        assert subject.star_mask is values[f"split/{detail}"].mask
        assert (subject.saturation, subject.star_saturation) == (saturation, 1.4 if kind == "result" else 1.0)
        assert subject.unprocessed == (kind == "plain") and not subject.recoloured
        for shown, half in ((subject.colour_a, "a"), (subject.colour_b, "b")):
            np.testing.assert_array_equal(shown, stretch(values[f"half_{half}/deep"], CURVE))
        assert subject.reference is values["linear/deep"] and subject.curve is CURVE
        np.testing.assert_allclose(stretch(values["linear/deep"], CURVE), subject.colour)
        np.testing.assert_allclose(unstretch(subject.picture, CURVE), subject.linear)
        assert subject.stars.tolist() == [[20, 10, 1, 1]]
        np.testing.assert_array_equal(subject.target, GALAXY.mask(*SHAPE))
        assert np.argwhere(subject.saturated).tolist() == [[5, 6], [7, 8]]  # clipped in any stack


def test_halves_of_the_colour_source_are_the_plain_ones_where_it_is_the_plain_stack() -> None:
    values, run = results(), run_of()
    values |= {"split/all": split(values["linear/deep"], colours(0, 0, 0), np.zeros(SHAPE, bool))}
    values |= {"linear/all": values["linear/deep"], "noise/all": values["noise/deep"]}
    run.names = replace(run.names, colour="all", added="deep")
    subject = result_subject(run, values, "x")
    assert subject.colour_a is values["plain_a"] and subject.colour_b is values["plain_b"]
    assert "second filter" in subject.recoloured and not plain_subject(run, values).recoloured
    run.names = replace(run.names, added=None)
    run.recipe.roles.colour.green_ceiling = True
    assert "ceiling" in result_subject(run, values, "x").recoloured and not plain_subject(run, values).recoloured
    run.recipe.roles.colour.green_ceiling, run.recipe.blend.mode = False, "soft-light"
    assert "soft-light" in result_subject(run, values, "x").recoloured and not plain_subject(run, values).recoloured


def test_light_is_no_brighter_than_the_brightest_stack() -> None:
    values = results()
    values["result"] = colours(1, 1, 1)
    assert result_subject(run_of(), values, "x").linear.max() == pytest.approx(2.0)


def test_finished_stacks_have_no_halves_and_nobody_knows_what_clipped() -> None:
    values = results()
    for name in ("sharp", "best", "deep", "all"):
        values[f"stack/{name}"] = Stack(values["linear/deep"])
    values["half_a/best"] = values["half_b/best"] = None
    subject = result_subject(run_of(), values, "x")
    assert subject.detail_halves is None and subject.saturated is None


def test_blank_sky_has_no_star_no_target_and_nothing_faint_and_wide() -> None:
    """Noise of a channel is s, so that of Y is sqrt(6)/4 s = .61 s: a glow counts from .7 x .61 s on, starlight from 3 x .61 s."""
    values = results()
    values["sky/all"] = SimpleNamespace(targets=[GALAXY])
    starless, stars = values["split/deep"].starless, values["split/deep"].stars
    starless[40:, :30] = 0.9 * 0.7 * 0.61e-3
    stars[10, 20], stars[10, 40] = 1.9e-3, 1.7e-3
    starless[0, 0] = np.nan
    sky = sky_mask(run_of(), values)
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    grown = GALAXY.mask(*SHAPE, grow=1.15)
    star = np.abs(xx - 20) + np.abs(yy - 10) <= 3  # three px around it
    np.testing.assert_array_equal(sky, ~grown & ~star & ~((xx == 0) & (yy == 0)))
    starless[40:, :30] = 4 * 0.7 * 0.61e-3
    assert not sky_mask(run_of(), values)[50:, :20].any() and sky_mask(run_of(), values)[:20, 50:].any()


def test_nodes_are_those_that_a_subject_reads() -> None:
    class Recorded(dict[str, Any]):
        def __getitem__(self, name: str) -> Any:
            read.add(name)
            return super().__getitem__(name)

    read: set[str] = set()
    values = Recorded(results())
    result_subject(run_of(), values, "x")
    plain_subject(run_of(), values)
    assert read == set(subject_nodes(run_of()))
    assert len(subject_nodes(run_of())) == len(read)


def test_a_place_that_is_warned_of_is_shown(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    shape = (300, 400)
    halves = [np.float32(0.12) + rng.normal(0, 0.01, (*shape, 3)).astype(np.float32) for _ in "ab"]
    light = (halves[0] + halves[1]) / 2
    same = {"half_a": halves[0], "half_b": halves[1], "colour": light, "colour_a": halves[0], "colour_b": halves[1], "curve": CURVE}
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    violet = light + np.where(np.hypot(xx - 300, yy - 90) < 25, 0.05, 0)[..., None] * np.float32([0.5, 0, 1])
    a, b = Subject("mine", violet.astype(np.float32), **same), Subject("plain", light, **same)
    _, files = write_comparison(a, b, tmp_path / "odd")
    page = files[2].read_text(encoding="utf-8")
    names = [view["name"] for view in json.loads(re.search(r'id="views">(.*?)</script>', page).group(1))]  # type: ignore[union-attr]
    x, y = (int(v) for v in re.fullmatch(r"colour of mine off at x (\d+), y (\d+)", names[-1]).groups())  # type: ignore[union-attr]
    assert np.hypot(x - 300, y - 90) < 15
    _, files = write_comparison(b, replace(b, name="twin"), tmp_path / "even")
    assert '"name":"colour of' not in files[2].read_text(encoding="utf-8").replace(": ", ":")


def test_files_of_a_comparison_tell_the_same(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    light = 0.3 + rng.normal(0, 0.02, (200, 300, 3)).astype(np.float32)
    a, b = Subject("mine", light), Subject("theirs", np.clip(light + rng.normal(0, 0.02, light.shape), 0, 1).astype(np.float32))
    comparison, files = write_comparison(a, b, tmp_path / "new", confidence=0.9)
    assert files == comparison_files(tmp_path / "new") and all(path.is_file() for path in files)
    facts = json.loads(files[0].read_text(encoding="utf-8"))
    assert facts == comparison.as_json()
    assert (facts["a"], facts["b"], facts["confidence"]) == ("mine", "theirs", 0.9)
    verdict = {m["name"]: m["verdict"] for m in facts["measures"]}
    assert verdict["sky lightness noise (single picture)"] == "A better"
    page = files[2].read_text(encoding="utf-8")
    assert json.loads(re.search(r'id="comparison">(.*?)</script>', page).group(1)) == facts  # type: ignore[union-attr]
    shown = [base64.b64decode(re.search(rf'id="view-0-{side}">[^,]*,([^<]*)<', page).group(1)) for side in "ab"]  # type: ignore[union-attr]
    for picture, data in zip((a.picture, b.picture), shown, strict=True):
        np.testing.assert_array_equal(np.asarray(Image.open(io.BytesIO(data)).convert("RGB")), to_bytes(picture))
