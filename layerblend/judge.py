"""Results made ready to be judged: a run's picture, its half-sets and its stars as a Subject; page, sheet and measures of a comparison."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import scipy

from layerblend.chain.halves import plain_half
from layerblend.chain.layers import target_mask
from layerblend.chain.stacks import saturated_map
from layerblend.chain.writing import linear_light
from layerblend.evidence.measures import Subject
from layerblend.evidence.verdict import Comparison, compare_subjects
from layerblend.files.pictures import read_picture
from layerblend.files.provenance import write_json
from layerblend.files.whole import write_bytes
from layerblend.kinds import Array, Mask, working_luminance
from layerblend.maths.curve import stretch
from layerblend.maths.noise import luminance_error
from layerblend.maths.wavelet import pool
from layerblend.report.page import comparison_page, make_views
from layerblend.report.places import choose_places
from layerblend.report.sheet import side_by_side
from layerblend.runs import Run

SKY_POOL_PX = 8.0
STAR_SIGMA, STAR_MARGIN_PX = 3.0, 3  # star light that no longer counts as blank sky, and the margin around it
SKY_SIGMA = 0.7  # of one pixel: what the average over the pool may lie above the sky and still count as blank
TARGET_GROWTH = 1.15
RECOLOURING = ("normal", "soft-light")  # blend modes that do not add the stars' light


def subject_nodes(run: Run) -> tuple[str, ...]:
    """The nodes whose results a comparison needs; no picture more, since all of them lie in memory together."""
    names = run.names
    pictures = ("result", "result_a", "result_b", "plain", "plain_a", "plain_b", "curve")
    every = [f"{kind}/{name}" for name in names.roles for kind in ("cover", "stack")]
    judged = [f"{kind}/{name}" for name in dict.fromkeys((names.detail, names.plain)) for kind in ("split", "half_a", "half_b")]
    colour = [f"{kind}/{names.colour}" for kind in ("linear", "split", "noise", "half_a", "half_b")]
    return (*pictures, *dict.fromkeys((*every, *judged, *colour)), f"sky/{names.sky_of[names.colour]}")


def result_subject(run: Run, values: Mapping[str, Any], name: str) -> Subject:
    """The run's picture with all that is needed to judge it."""
    return _subject(run, values, name, "result", run.names.detail)


def plain_subject(run: Run, values: Mapping[str, Any], name: str = "plain") -> Subject:
    """The plain stack of the same run."""
    return _subject(run, values, name, "plain", run.names.plain)


def _subject(run: Run, values: Mapping[str, Any], name: str, kind: str, detail: str) -> Subject:
    names, curve = run.names, values["curve"]
    pictures = [values[kind], values[f"{kind}_a"], values[f"{kind}_b"]]
    most = max(values[f"cover/{role}"].brightest for role in names.roles)
    stars = values[f"split/{detail}"].stars
    halves = [_starless_light(values[f"half_{half}/{detail}"], stars) for half in ("a", "b")]
    shown = [_shown_half(run, values, half) for half in ("a", "b")]
    roles = run.recipe.roles
    target = target_mask(values[f"sky/{names.sky_of[names.colour]}"], pictures[0].shape)
    return Subject(
        name=name,
        picture=pictures[0],
        half_a=pictures[1],
        half_b=pictures[2],
        linear=linear_light(pictures[0], curve, most),
        detail_a=halves[0],
        detail_b=halves[1],
        curve=curve,
        reference=values[f"linear/{names.colour}"],
        colour=stretch(values[f"linear/{names.colour}"], curve),
        colour_a=shown[0],
        colour_b=shown[1],
        stars=star_table(values[f"split/{names.colour}"].catalogue),
        sky=sky_mask(run, values),
        target=target,
        saturated=saturated_mask(run, values),
        saturation=roles.colour.saturation if kind == "result" else 1.0,
        star_saturation=roles.stars.saturation if kind == "result" else 1.0,
        recoloured=_recoloured(run) if kind == "result" else "",
        unprocessed=kind == "plain",
        star_mask=values[f"split/{detail}"].mask,
    )


def _recoloured(run: Run) -> str:
    """Which setting gives the result another colour than its colour stack's."""
    if run.names.added:
        return "a second filter's light was added, whose colour is wanted"
    if run.recipe.roles.colour.green_ceiling:
        return "green is held below a ceiling"
    mode = run.recipe.blend.mode
    return f"stars joined by {mode} dim or hide the colour under them" if mode in RECOLOURING else ""


def _shown_half(run: Run, values: Mapping[str, Any], half: str) -> Array | None:
    """One half-set of the colour source through the curve; the plain stack's is there already where it is the same stack."""
    names = run.names
    if names.colour == names.plain:
        return values[f"plain_{half}"]
    return plain_half(values[f"half_{half}/{names.colour}"], values["curve"])


def _starless_light(half: Array | None, stars: Array) -> Array | None:
    return None if half is None else working_luminance(half - stars)


def star_table(catalogue: Array) -> Array:
    """(n, 4) x, y, flux, peak of the stars that were taken out, brightest first; light of Y."""
    stars = catalogue[catalogue["kept"] == ""]
    flux, peak = (_of_y(stars[key]) for key in ("flux", "peak"))
    table = np.stack([stars["x"], stars["y"], flux, peak], axis=1).astype(float)
    table = table[np.isfinite(table).all(1) & (flux > 0)]
    return table[np.argsort(-table[:, 2], kind="stable")]


def _of_y(channels: Array) -> Array:
    if channels.ndim == 1:
        return channels
    return channels[:, 0] if channels.shape[1] == 1 else (channels[:, 0] + 2 * channels[:, 1] + channels[:, 2]) / 4


def sky_mask(run: Run, values: Mapping[str, Any]) -> Mask:
    """Blank sky: no star taken out, no target, nothing above the noise on a scale of 8 px."""
    colour = run.names.colour
    light = working_luminance(values[f"split/{colour}"].starless)
    sigma = float(np.nanmedian(luminance_error(values[f"noise/{colour}"])))
    valid = np.isfinite(light)
    level = pool(np.nan_to_num(light), SKY_POOL_PX)
    starlight = working_luminance(values[f"split/{colour}"].stars) > STAR_SIGMA * sigma
    blank = valid & (level < SKY_SIGMA * sigma) & ~scipy.ndimage.binary_dilation(starlight, iterations=STAR_MARGIN_PX)
    for ellipse in values[f"sky/{run.names.sky_of[colour]}"].targets:
        blank &= ~ellipse.mask(*light.shape, grow=TARGET_GROWTH)
    return blank


def saturated_mask(run: Run, values: Mapping[str, Any]) -> Mask | None:
    """Where the camera clipped in any stack in use."""
    maps = [saturated_map(values[f"stack/{name}"]) for name in run.names.roles]
    known = [np.asarray(m) > 0 for m in maps if m is not None]
    return np.logical_or.reduce(known) if known else None


def picture_subject(path: Path, notes: list[str] | None = None) -> Subject:
    """A finished picture that came from elsewhere; ``notes`` gets words on what was left out or assumed."""
    return Subject(name=path.stem, picture=read_picture(path, notes=notes))


def comparison_files(folder: Path) -> list[Path]:
    """What a comparison leaves in its folder."""
    return [folder / "measures.json", folder / "sheet.png", folder / "page.html"]


def write_comparison(a: Subject, b: Subject, folder: Path, *, confidence: float = 0.95) -> tuple[Comparison, list[Path]]:
    """Judge two results and write measures.json, sheet.png and page.html."""
    comparison = compare_subjects(a, b, confidence=confidence)
    facts = comparison.as_json()
    strange = {f"colour of {p.picture} off at x {p.x:.0f}, y {p.y:.0f}": (p.x, p.y) for p in comparison.places if p.seen}
    places = choose_places(a.picture, target=a.target, sky=a.sky, stars=a.stars, more=strange)
    outputs = comparison_files(folder)
    folder.mkdir(parents=True, exist_ok=True)
    write_json(outputs[0], facts)
    write_bytes(outputs[1], side_by_side(a.picture, b.picture, places, facts))
    write_bytes(outputs[2], comparison_page(facts, make_views(a.picture, b.picture, places)).encode("utf-8"))
    return comparison, outputs
