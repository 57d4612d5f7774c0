"""Judge a separation against the truth. All light in units of the local noise of the starless truth, channel G."""

from __future__ import annotations

import cv2
import numpy as np
from numba import njit

from tests.scenes.split import Scene

# A place counts as sky where the target's light stays below this many sigma.
SKY_SIGMA = 15.0
EDGE_PX = 12
BRIGHT = 10.0


@njit(cache=True)
def aperture_sums(plane, x, y, radius):  # type: ignore[no-untyped-def]
    """Sums within discs of whole pixels."""
    h, w = plane.shape
    out = np.zeros(x.size)
    for s in range(x.size):
        for j in range(max(0, int(y[s] - radius)), min(h, int(y[s] + radius) + 2)):
            for i in range(max(0, int(x[s] - radius)), min(w, int(x[s] + radius) + 2)):
                if (i - x[s]) ** 2 + (j - y[s]) ** 2 <= radius * radius:
                    out[s] += plane[j, i]
    return out


@njit(cache=True)
def ring_means(plane, x, y, inner, outer):  # type: ignore[no-untyped-def]
    """Means within rings."""
    h, w = plane.shape
    out = np.zeros(x.size)
    for s in range(x.size):
        count = 0
        for j in range(max(0, int(y[s] - outer)), min(h, int(y[s] + outer) + 2)):
            for i in range(max(0, int(x[s] - outer)), min(w, int(x[s] + outer) + 2)):
                r2 = (i - x[s]) ** 2 + (j - y[s]) ** 2
                if inner * inner <= r2 <= outer * outer:
                    out[s] += plane[j, i]
                    count += 1
        out[s] /= max(count, 1)
    return out


def _green(image: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(image[..., 1] if image.ndim == 3 else image, np.float64)


def score(scene: Scene, starless: np.ndarray) -> dict[str, float]:
    """Figures of one separation; see the benchmark for their bars."""
    fwhm, o = scene.options.fwhm, scene.options
    image, truth, sigma, stars = (_green(a) for a in (scene.image, scene.starless, scene.sigma, scene.stars))
    found = _green(starless)
    off = (found - truth) / sigma
    smooth = cv2.GaussianBlur(off, (0, 0), fwhm / 2.355)
    clipped_zone = cv2.dilate(scene.extra["saturated"].astype(np.uint8), np.ones((int(4 * fwhm) | 1,) * 2, np.uint8)) > 0
    under = (stars > sigma) & ~clipped_zone
    out = {"residue median": float(np.median(np.abs(smooth[under]))), "residue p95": float(np.percentile(np.abs(smooth[under]), 95))}
    x, y, _, strength, saturated = scene.star_list.T
    inside = (x > EDGE_PX) & (x < o.width - 1 - EDGE_PX) & (y > EDGE_PX) & (y < o.height - 1 - EDGE_PX)
    place = truth[np.clip(y.round().astype(int), 0, o.height - 1), np.clip(x.round().astype(int), 0, o.width - 1)]
    on_sky = place < SKY_SIGMA * scene.extra["sigma0"]
    taken = image - found
    share = aperture_sums(taken, x, y, 1.5 * fwhm) / np.maximum(aperture_sums(stars, x, y, 1.5 * fwhm), 1e-12)
    left = np.abs(ring_means(off, x, y, 0.0, 1.5 * fwhm))
    bright = inside & (strength > BRIGHT) & (saturated == 0)
    for name, where in (("sky", on_sky), ("galaxy", ~on_sky)):
        q = bright & where
        out[f"{name} stars removed"] = float((share[q] > 0.5).mean()) if q.any() else float("nan")
        out[f"{name} stars residue"] = float((left[q] > 2).mean()) if q.any() else float("nan")
        s = inside & where & (saturated == 1)
        out[f"saturated {name}"] = _median(np.abs(ring_means(off, x[s], y[s], 2 * fwhm, 6 * fwhm)))
    q = inside & (strength >= 15) & (saturated == 0) & (share > 0.5)
    for low, high in ((15, 30), (30, 100), (100, 1e9)):
        out[f"flux {low}"] = _median(share[q & (strength >= low) & (strength < high)])
    out["flux off"] = float(np.nanmax([abs(out[f"flux {low}"] - 1) for low in (15, 30, 100)]))
    fine = off - cv2.GaussianBlur(off, (0, 0), 1.0)
    core, free = (stars > 5 * sigma) & ~clipped_zone, stars < 0.1 * sigma
    out["texture"] = _spread(fine[core]) / _spread(fine[free])
    out |= _kept(scene, truth, found, taken, stars, sigma)
    return out


def _kept(scene: Scene, truth: np.ndarray, found: np.ndarray, taken: np.ndarray, stars: np.ndarray, sigma: np.ndarray) -> dict[str, float]:
    fwhm, o, out = scene.options.fwhm, scene.options, {}
    if o.target:
        x, y = np.array([scene.centre[0]]), np.array([scene.centre[1]])
        ring = ring_means(truth, x, y, 3 * fwhm, 4 * fwhm)[0]
        lost = aperture_sums(truth, x, y, 2 * fwhm) - aperture_sums(found, x, y, 2 * fwhm)
        out["core kept"] = float(1 - lost[0] / aperture_sums(truth - ring, x, y, 2 * fwhm)[0])
    if len(scene.knot_list):
        x, y, _, size = scene.knot_list.T
        knots = _green(scene.knots)
        own, star, lost = (aperture_sums(a, x, y, fwhm) for a in (knots, stars, taken))
        edge = (x > 15) & (x < o.width - 15) & (y > 15) & (y < o.height - 15)
        i, j = np.clip(x.round().astype(int), 0, o.width - 1), np.clip(y.round().astype(int), 0, o.height - 1)
        seen = edge & (star < 0.2 * own) & (knots[j, i] > 5 * scene.extra["sigma0"])
        out["knot flux kept"] = float(1 - lost[seen].sum() / own[seen].sum())
        for name, low, high in (("tiny", 0, 0.5), ("small", 0.5, 1), ("broad", 1, 9)):
            q = seen & (size >= low) & (size < high)
            out[f"knots {name} kept"] = float(1 - lost[q].sum() / own[q].sum()) if q.any() else float("nan")
    if len(scene.galaxy_list):
        x, y = scene.galaxy_list[:, 0].copy(), scene.galaxy_list[:, 1].copy()
        clear = (x > 15) & (x < o.width - 15) & (y > 15) & (y < o.height - 15)
        clear &= aperture_sums(stars, x, y, 1.5 * fwhm) < 3 * fwhm * scene.extra["sigma0"]
        x, y = x[clear], y[clear]
        light = aperture_sums(truth - float(np.median(truth)), x, y, 1.5 * fwhm)
        out["small galaxies kept"] = _median(1 - aperture_sums(taken, x, y, 1.5 * fwhm) / np.maximum(light, 1e-12))
        out["small galaxies lost"] = float((aperture_sums(taken, x, y, 1.5 * fwhm) > 0.5 * light).mean()) if len(x) else float("nan")
    return out


def _median(values: np.ndarray) -> float:
    return float(np.median(values)) if len(values) else float("nan")


def _spread(values: np.ndarray) -> float:
    return float(1.4826 * np.median(np.abs(values - np.median(values))))
