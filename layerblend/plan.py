"""Recipe -> graph: the whole way from frames to the picture and its half-sets, on one page.

Each node is (name, function, own settings, names of its inputs); its key follows from these alone, so a changed role runs again only
what depends on it. The functions stand in the modules of `layerblend.chain`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from layerblend.chain import drawings, facts, frames, halves, layers, light, picture, stacks, starlight, writing
from layerblend.engine.graph import Graph, Node
from layerblend.kinds import Ellipse, FrameInfo
from layerblend.recipe.schema import Recipe, StackSpec

# What `--upto` accepts, with the node it stops at; {detail} and the like stand for the role's stack.
STEPS = {
    "grade": "table",
    "stack": "stacks",
    "flatten": "sky/{colour}",
    "white": "white",
    "split": "split/{colour}",
    "detail": "detail",
    "colour": "colour",
    "combine": "base",
    "stars": "starlight",
    "blend": "result",
}
HALVES = ("a", "b")
ADDED = "roles.add"  # the second filter's file among the stacks; no stack of a recipe can bear a name with a dot
LINKED_LAST = 9  # stacks and grades leave a full store last


@dataclass(frozen=True)
class Sources:
    """What the recipe's files turned out to be: opened frames by name and those it leaves out by name, the user's measurements, protected
    places in pixels, catalogue colours, the picture's number of pixels (0 where no header tells it)."""

    named: Mapping[str, FrameInfo] = field(default_factory=dict)
    left_out: Mapping[str, FrameInfo] = field(default_factory=dict)
    given: Mapping[str, Mapping[str, float]] | None = None
    protect: tuple[Ellipse, ...] = ()
    catalogue: Any = None
    catalogue_path: Path | None = None
    pixels: int = 0

    @property
    def frames(self) -> tuple[FrameInfo, ...]:
        """The frames that are graded, in natural order."""
        return tuple(self.named.values())


@dataclass(frozen=True)
class Names:
    """Which stack serves what, and which stacks share the sky of the frames."""

    stars: str
    detail: str
    colour: str
    plain: str
    added: str | None = None
    sky_of: Mapping[str, str] = field(default_factory=dict)

    @property
    def roles(self) -> tuple[str, ...]:
        """The stacks in use, each once."""
        used = (self.colour, self.detail, self.stars, self.plain, *([self.added] if self.added else []))
        return tuple(dict.fromkeys(used))

    @property
    def skies(self) -> tuple[str, ...]:
        """The stacks whose sky serves those in use, each once."""
        return tuple(dict.fromkeys(self.sky_of[role] for role in self.roles))


def names_of(recipe: Recipe) -> Names:
    """Roles by stack; every stack of the frames takes the sky of the deepest, a finished file its own."""
    framed = [name for name, spec in recipe.stacks.items() if spec.from_frames]
    base = "all" if "all" in framed else (framed and [name for name in recipe.order if name in framed][-1]) or ""
    sky_of = {name: base if name in framed else name for name in (*recipe.stacks, *finished_files(recipe))}
    roles = recipe.roles
    return Names(roles.stars.stack, roles.detail.stack, roles.colour.stack, _plain_stack(recipe), _added_stack(recipe), sky_of)


def _added_stack(recipe: Recipe) -> str | None:
    """The second filter's stack, if any of it is wanted."""
    added = recipe.roles.add
    return None if added is None or added.amount == 0 else added.stack or ADDED


def _plain_stack(recipe: Recipe) -> str:
    return "all" if "all" in recipe.stacks else recipe.roles.colour.stack


def build_graph(recipe: Recipe, sources: Sources, stack_frames: Callable[..., Any]) -> Graph:
    """The graph of one recipe; ``stack_frames`` runs the one pass over the frames with this run's workers."""
    names = names_of(recipe)
    return Graph(
        [
            *_frame_nodes(recipe, sources, stack_frames),
            *_stack_nodes(recipe),
            *_light_nodes(recipe, sources, names),
            *_split_nodes(recipe, names),
            *_layer_nodes(recipe, names),
            *_picture_nodes(recipe, names),
            *_half_nodes(recipe, names),
            *_plain_nodes(names),
            *_fact_nodes(names),
            *_step_pictures(recipe, sources, names),
        ]
    )


# ---------------------------------------------------------------- frames to stacks
def _frame_nodes(recipe: Recipe, sources: Sources, stack_frames: Callable[..., Any]) -> list[Node]:
    """Grade every frame by itself, rank them together, build all stacks in one pass."""
    if not sources.frames:
        return []
    level = {"white_level": recipe.frames.white_level}
    grades = [
        Node(
            f"grade/{index:04d}",
            frames.grade_one,
            settings=level,
            files=(info.path,),
            execution={"info": info},
            step="grade",
            version=9,
            parallel=True,
            priority=LINKED_LAST,
        )
        for index, info in enumerate(sources.frames)
    ]
    ranking = recipe.frames.exclude.model_dump(mode="json", exclude={"files"}) | {"rank_by": recipe.frames.rank_by}
    shared = Node(
        "shared_stars",
        frames.shared_stars,
        inputs={"measures": tuple(node.name for node in grades)},
        execution={"infos": sources.frames},
        step="grade",
        priority=LINKED_LAST,
    )
    table = Node(
        "table",
        frames.rank_table,
        # names break ties and measurements go by them, so they count although contents are the same
        settings={"ranking": ranking, "given": _plain_data(sources.given), "names": list(sources.named)},
        inputs={"measures": tuple(node.name for node in grades), "shared": "shared_stars"},
        execution={"infos": sources.frames, "left_out": sources.left_out},
        keep=False,
        version=5,
    )
    one_pass = Node(
        "stacks",
        stack_frames,
        settings={
            "specs": {name: _spec_settings(spec) for name, spec in recipe.stacks.items() if spec.from_frames},
            "align": recipe.frames.align,
            **recipe.stacking.model_dump(mode="json"),
        },
        inputs={"table": "table"},
        version=5,
        wants_folder=True,
        priority=LINKED_LAST,
    )
    return [*grades, shared, table, one_pass]


def _spec_settings(spec: StackSpec) -> dict[str, Any]:
    return {"keep": spec.keep, "weights": spec.weights, "power": spec.power}


def _plain_data(given: Mapping[str, Mapping[str, float]] | None) -> Any:
    return None if given is None else {name: dict(row) for name, row in given.items()}


def stack_paths(spec: StackSpec) -> tuple[Path, ...]:
    """The files of a finished stack."""
    if spec.file is not None:
        return (spec.file,)
    assert spec.files is not None
    return (spec.files.r, spec.files.g, spec.files.b)


def finished_files(recipe: Recipe) -> dict[str, tuple[Path, ...]]:
    """The files of every stack that somebody else made, the second filter's among them."""
    found = {name: stack_paths(spec) for name, spec in recipe.stacks.items() if not spec.from_frames}
    added = recipe.roles.add
    return found if added is None or added.file is None else found | {ADDED: (added.file,)}


def _stack_nodes(recipe: Recipe) -> list[Node]:
    """Every stack opened, those made from frames and those that somebody else made."""
    files = finished_files(recipe)
    nodes = []
    for name in dict.fromkeys((*recipe.stacks, *files)):
        if name not in files:
            nodes.append(Node(f"stack/{name}", stacks.framed_stack, settings={"name": name}, inputs=("stacks",), keep=False))
        else:
            paths = files[name]
            level = {"white_level": recipe.frames.white_level}
            execution = {"paths": paths}
            nodes.append(
                Node(f"stack/{name}", stacks.finished_stack, settings=level, files=paths, execution=execution, keep=False, version=7)
            )
    return nodes


# ---------------------------------------------------------------- linear light
def _light_nodes(recipe: Recipe, sources: Sources, names: Names) -> list[Node]:
    """Sky and white found once, then every stack in use and its half-sets in the same light."""
    sky = {
        "protect": [[e.x, e.y, e.a, e.b, e.angle] for e in sources.protect],
        "frame_filling": recipe.flatten.frame_filling,
        "mode": recipe.flatten.mode,
    }
    nodes = [Node(f"sky/{name}", light.find_sky, settings=sky, inputs=(f"stack/{name}",), version=19) for name in names.skies]
    nodes += [
        Node(f"hot/{name}", light.find_hot_pixels, settings={"fill": recipe.split.fill_hot}, inputs=(f"stack/{name}", f"sky/{name}"))
        for name in names.skies
    ]
    base, finished = names.sky_of[names.colour], finished_files(recipe)
    source = recipe.white.source
    catalogue = sources.catalogue_path
    nodes.append(
        Node(
            "white",
            light.find_white,
            settings={"source": "catalogue" if isinstance(source, Path) else source},
            inputs=(f"stack/{base}", f"sky/{base}"),
            files=() if catalogue is None else (catalogue,),
            execution={"catalogue": sources.catalogue},
            version=8,
        )
    )
    for name in names.roles:
        parts = (f"stack/{name}", f"sky/{names.sky_of[name]}", "white", f"brightness/{name}")
        spots = (*parts, f"hot/{names.sky_of[name]}")
        foreign = names.sky_of[name] != base
        border = {"foreign": True} if name in finished else {}
        reference = (f"stack/{name}", f"sky/{names.sky_of[name]}", f"stack/{base}", f"sky/{base}", "white") if foreign else ()
        nodes += [
            Node(f"brightness/{name}", light.relative_brightness, inputs=reference, keep=foreign, step="brightness"),
            Node(f"linear/{name}", light.linear_picture, settings=border, inputs=spots, keep=False, step="linear", version=2),
            Node(f"cover/{name}", writing.cover_of, inputs=(f"linear/{name}", f"stack/{name}"), step="cover", version=3),
            Node(f"noise/{name}", light.noise_map, settings=border, inputs=parts, keep=False, step="noise", version=6),
            *(
                Node(f"half_{half}/{name}", light.linear_half, settings={"half": index}, inputs=spots, keep=False, step="half", version=2)
                for index, half in enumerate(HALVES)
            ),
        ]
    return nodes


# ---------------------------------------------------------------- layers
def _split_nodes(recipe: Recipe, names: Names) -> list[Node]:
    """Stars apart from the rest for every stack in use."""
    nodes = []
    for name in names.roles:
        # one stack tells for all what is a star; a second filter sees other sources
        judge = () if name in (names.plain, names.added) else (f"split/{names.plain}",)
        nodes += [
            Node(f"psf/{name}", layers.star_shape, inputs=(f"linear/{name}", f"stack/{name}"), step="psf", version=3),
            Node(
                f"split/{name}",
                layers.split_picture,
                settings=recipe.split.model_dump(mode="json", exclude={"fill_hot"}),
                inputs=(f"linear/{name}", f"stack/{name}", f"psf/{name}", *judge),
                step="split",
                version=48,
            ),
        ]
    return nodes


def _layer_nodes(recipe: Recipe, names: Names) -> list[Node]:
    """Detail, colour, the curve and a second filter's light, all from the starless parts."""
    detail, colour, added = recipe.roles.detail, recipe.roles.colour, names.added
    nodes = []
    if added:
        inputs = (f"split/{added}", f"psf/{added}", *_noise_of(added), "curve")
        nodes.append(Node("added", layers.added_layer, inputs=inputs, version=5))
    return [
        *nodes,
        Node(
            "detail",
            layers.detail_layer,
            settings={"deconvolve": detail.deconvolve, "grain": detail.grain},
            inputs=(f"split/{names.detail}", f"psf/{names.detail}", f"psf/{names.colour}", *_noise_of(names.detail)),
            version=19,
        ),
        Node(
            "colour",
            layers.colour_layer,
            settings={"denoise": colour.denoise, "green_ceiling": colour.green_ceiling},
            inputs=(f"split/{names.colour}", *_noise_of(names.colour), f"split/{names.detail}", *_noise_of(names.detail)),
            version=13,
        ),
        Node(
            "curve",
            layers.display_curve,
            settings=recipe.display.model_dump(mode="json"),
            inputs=(f"split/{names.colour}", *_noise_of(names.colour), f"sky/{names.sky_of[names.colour]}"),
            version=2,
        ),
    ]


def _noise_of(name: str) -> tuple[str, ...]:
    """What tells a stack's noise: its map and its two half-sets."""
    return (f"noise/{name}", *(f"half_{half}/{name}" for half in HALVES))


# ---------------------------------------------------------------- the picture
def _picture_settings(recipe: Recipe) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    """Settings of the starless picture, the star layer and the blend."""
    detail, colour, stars = recipe.roles.detail, recipe.roles.colour, recipe.roles.stars
    base = {
        **recipe.combine.model_dump(mode="json"),
        "sharpen": list(detail.sharpen),
        "core": detail.core,
        "saturation": colour.saturation,
    }
    if (added := recipe.roles.add) is not None and added.amount > 0:
        base |= {"added": [added.hue, added.amount]}
    layer = {"gate": recipe.blend.gate, "repair": stars.repair_cores, "saturation": stars.saturation, "size": stars.size}
    return base, layer, {"mode": recipe.blend.mode, "amount": recipe.blend.amount}


def _picture_nodes(recipe: Recipe, names: Names) -> list[Node]:
    """Lightness into colour, stars over both."""
    base, layer, join = _picture_settings(recipe)
    added = ("added",) if names.added else ()
    return [
        Node("lit", picture.full_lit_colour, settings={"space": base["space"]}, inputs=("colour", "detail", "curve")),
        Node("base", picture.full_base, settings=base, inputs=("lit", "curve", *added), version=9),
        Node(
            "starlight",
            starlight.full_starlight,
            settings=layer,
            inputs=(*_star_inputs(names), f"noise/{names.stars}", "curve"),
            version=25,
        ),
        Node("result", picture.join, settings=join, inputs=("base", "starlight"), keep=False),  # sooner made than written
    ]


def _star_inputs(names: Names) -> tuple[str, ...]:
    return (
        f"split/{names.stars}",
        f"stack/{names.stars}",
        f"psf/{names.stars}",
        f"split/{names.colour}",
        f"stack/{names.colour}",
    )


def _half_nodes(recipe: Recipe, names: Names) -> list[Node]:
    """The same picture from the odd and from the even frames, through the same frozen operators: what noise is measured on."""
    base, layer, join = _picture_settings(recipe)
    nodes = []
    for half in HALVES:
        nodes += [
            Node(
                f"base_{half}",
                halves.half_base,
                settings=base,
                inputs=(
                    "base", "colour", "detail", "curve",
                    f"split/{names.colour}", f"half_{half}/{names.colour}", f"split/{names.detail}", f"half_{half}/{names.detail}",
                    *((f"added_{half}",) if names.added else ()),
                ),
                keep=False,
                version=2,
                step="half_base",
            ),
            Node(
                f"starlight_{half}",
                halves.half_starlight,
                settings=layer,
                inputs=("starlight", *_star_inputs(names), f"half_{half}/{names.stars}", f"half_{half}/{names.colour}", "curve"),
                keep=False,
                version=12,
                step="half_starlight",
            ),
            *_added_half(names.added, half),
            Node(f"result_{half}", halves.half_join, settings=join, inputs=(f"base_{half}", f"starlight_{half}"), step="half_join"),
        ]  # fmt: skip
    return nodes


def _added_half(added: str | None, half: str) -> list[Node]:
    """The second filter's light of one half-set."""
    if not added:
        return []
    inputs = ("added", f"split/{added}", f"half_{half}/{added}", "curve")
    return [Node(f"added_{half}", halves.half_added, inputs=inputs, keep=False, step="half_added")]


def _plain_nodes(names: Names) -> list[Node]:
    """The reference: the plain stack through the same sky, white and curve, nothing else."""
    plain = names.plain
    return [
        Node("plain", picture.plain_picture, inputs=(f"linear/{plain}", "curve"), keep=False),
        *(Node(f"plain_{half}", halves.plain_half, inputs=(f"half_{half}/{plain}", "curve"), keep=False) for half in HALVES),
    ]


TOLD_OF_STACKS = ("stack", "brightness", "psf", "split", "cover")  # the nodes whose words and numbers `stack_facts` gathers


def _fact_nodes(names: Names) -> list[Node]:
    """Numbers and words of the steps by themselves; kept, so that a new blend opens no picture for them."""
    of_stacks = [
        Node(f"facts/{name}", facts.stack_facts, inputs=tuple(f"{kind}/{name}" for kind in TOLD_OF_STACKS)) for name in names.roles
    ]
    sky = names.sky_of[names.colour]
    return [
        *of_stacks,
        Node("sky_facts", facts.sky_facts, inputs=(f"sky/{sky}",)),
        Node("star_facts", facts.star_facts, inputs=("starlight",)),
    ]


def _step_pictures(recipe: Recipe, sources: Sources, names: Names) -> list[Node]:
    """Pictures of what single steps did; kept, since drawing them takes longer than a new blend."""
    base, colour = names.sky_of[names.colour], names.colour
    nodes = [
        Node("picture/flatten", drawings.flatten_png, inputs=(f"stack/{base}", f"sky/{base}"), version=4),
        Node("picture/split", drawings.split_png, inputs=(f"linear/{colour}", f"split/{colour}"), version=2),
    ]
    if any(spec.from_frames for spec in recipe.stacks.values()):
        shares = {name: spec.keep for name, spec in recipe.stacks.items() if spec.from_frames}
        settings = {"shares": shares, "title": recipe.target, "left_out": list(sources.left_out)}
        nodes.append(Node("picture/grade", drawings.grade_png, settings=settings, inputs=("table",)))
    if recipe.stacks[base].from_frames:
        nodes.append(Node("picture/rejected", drawings.rejection_png, settings={"name": base}, inputs=("stacks",), version=3))
    return nodes


def step_node(recipe: Recipe, step: str, known: Sequence[str]) -> str:
    """The node that `--upto STEP` stops at."""
    roles = recipe.roles
    name = STEPS[step].format(colour=names_of(recipe).sky_of[roles.colour.stack] if step == "flatten" else roles.colour.stack)
    return name if name in known else f"stack/{roles.colour.stack}"
