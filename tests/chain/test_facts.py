"""What the steps have to say, told without opening a picture."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from layerblend.chain.facts import sky_facts, stack_facts, star_facts
from layerblend.chain.light import Brightness
from layerblend.chain.starlight import StarLight
from layerblend.chain.writing import Cover
from tests.scenes.layers import SHAPE, as_stack, no_sky, plain_split, round_stars, star_field


def test_a_stack_tells_its_size_and_the_words_of_every_step() -> None:
    light = star_field(mono=True)
    mask = np.ones(SHAPE, bool)
    stack = as_stack(light, words=("read",), cards=(("FILTER", "north", ""),), top_down=True)
    split = replace(plain_split(light), words=("split",), checks={"fwhm": 3.0})
    shape = replace(round_stars(3.0), words=("stars",))
    facts = stack_facts(stack, Brightness(1.0, ("matched",)), shape, split, Cover(mask, mask, 1.0, ("border",)))
    assert (facts.height, facts.width, facts.top_down, facts.cards) == (*SHAPE, True, (("FILTER", "north", ""),))
    assert facts.words == {"split": ("split",), "stars": ("stars",), "stack": ("read", "border", "matched")}
    assert facts.star == shape.centre and facts.checks == {"fwhm": 3.0}


def test_the_sky_tells_its_gradient_before_and_after() -> None:
    sky = replace(no_sky(star_field()), before=np.full(3, 9.0), after=np.full(3, 0.1), uncertain=0.3, words=("uneven",))
    facts = sky_facts(sky)
    assert (facts.before.tolist(), facts.after.tolist(), facts.uncertain, facts.words) == ([9.0] * 3, [0.1] * 3, 0.3, ("uneven",))


def test_stars_tell_how_much_of_their_layer_is_below_zero() -> None:
    layer = np.zeros((4, 5, 3), np.float32)
    layer[0] = -1
    facts = star_facts(StarLight(layer, None, light_left=0.9))
    assert (facts.negative, facts.light_left) == (0.25, 0.9)
