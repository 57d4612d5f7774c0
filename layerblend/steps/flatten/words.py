"""What the sky fit has to say, in the imager's words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from layerblend.kinds import Array

CHANNELS = {1: ("the picture",), 3: ("red", "green", "blue")}
QUADRANTS = ("upper left", "upper right", "lower left", "lower right")
RUNS_AWAY = (
    "Parts of the picture have no sky samples and a bent model would run away there, so only a tilted plane was taken away; "
    "see steps/flatten.png."
)
FILLING = (
    "The target was taken to fill the frame, so only a tilted plane through its faintest parts was taken away; "
    "if there is clean sky in the picture, say `flatten.frame_filling: no`."
)
GLOW = " A glow that peaks in the same corner cannot be told from it and comes on top."
FEW_SHARE = 0.25
LOST_SHARE = 0.6
# A halo off by less than this, sigma of a pixel, is not worth a word.
SAY_FROM = 0.3


def quadrant_of(u: Array, v: Array) -> Array:
    """0 upper left, 1 upper right, 2 lower left, 3 lower right, from places in -1..1."""
    return (np.asarray(u) > 0).astype(int) + 2 * (np.asarray(v) > 0).astype(int)


def count_quadrants(quadrant: Array, used: Array) -> tuple[Array, Array]:
    """(4, C) samples used and (4,) samples there are."""
    kept = np.stack([used[quadrant == q].sum(0) for q in range(4)])
    return kept.astype(int), np.bincount(quadrant, minlength=4)[:4]


def sample_words(kept: Array, total: Array) -> list[str]:
    """Quadrants that kept few samples, or lost them in one channel and not in another."""
    words = []
    names = CHANNELS[kept.shape[1]]
    for q, place in enumerate(QUADRANTS):
        if not total[q]:
            words.append(f"The {place} quarter of the picture has no sky samples; the sky there is carried over from the rest.")
            continue
        share = kept[q] / total[q]
        if share.max() < FEW_SHARE:
            words.append(f"The {place} quarter kept only {kept[q].max()} of {total[q]} sky samples; its sky is less certain.")
        elif share.min() < LOST_SHARE * share.max():
            worst = names[int(share.argmin())]
            words.append(
                f"The {place} quarter lost samples in {worst} ({kept[q].min()} of {total[q]}, the best channel kept {kept[q].max()}):"
                f" look for a gradient left in {worst} there."
            )
    return words


def gradient_words(before: Array, after: Array) -> str:
    """How much gradient there was and how much is left, sigma."""
    names = CHANNELS[len(before)]
    parts = [f"{name} {b:.1f} to {a:.1f}" for name, b, a in zip(names, before, after, strict=True)]
    return "Gradient across the picture, peak to peak in sigma of the sky, before and after: " + ", ".join(parts) + "."


def cut_words(edges: Sequence[str], bright: float) -> list[str]:
    """Edges and corners of the picture that cut something bright and wide, and by how much, sigma, the sky under it may be off."""
    amount = f" The sky under its bright part may be off by up to {bright:.1f} sigma." if bright >= SAY_FROM else ""
    return [
        f"Something bright and wide, a galaxy or the halo of a bright star, is cut by the {edge} of the picture: its faint light is"
        f" told from the part that is seen, and less sure than elsewhere.{amount}{GLOW if 'corner' in edge else ''}"
        " A wider field would decide it."
        for edge in edges
    ]


def uncertain_words(uncertain: float) -> list[str]:
    """By how much nobody can tell sky and halo apart, and what would decide it."""
    if uncertain < SAY_FROM:
        return []
    return [
        f"Sky and the target's halo look alike in this picture: the halo may be off by up to {uncertain:.1f} sigma of the sky. A mosaic or"
        " a wider field with clean sky round the target would decide it; if you know how far the target reaches, name that place in"
        " `flatten.protect`."
    ]
