"""Every setting once: type, default, range, unit, help and the identity value that switches it off.

The models are frozen; the attribute names are the recipe's keys (``recipe.frames.rank_by``, ``recipe.stacks["best25"].keep``), but for
``white.from``, which Python reads as ``recipe.white.source``. The starter recipe, the settings table, the JSON Schema and all checks are
made from what stands here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from layerblend.errors import RecipeError
from layerblend.recipe.rules import Angle, Choice, Either, ListOf, Maybe, Number, Place, Rule, RuleError, Switch, Text

NO_IDENTITY = object()
NOT_YET = "is not yet in this version"
COLOUR_FACTOR_LIMIT = 100.0
MOST_SCALES = 8

# the set that serves when `stacks` is left out, sharpest first
STANDARD_STACKS: Mapping[str, Mapping[str, Any]] = {
    "best25": {"keep": 0.25},
    "best50": {"keep": 0.5},
    "best75": {"keep": 0.75},
    "all": {"keep": 1.0},
    "deep": {"keep": 1.0, "weights": "sharpness"},
}
RANK_COLUMNS = ("fwhm_major", "fwhm", "eccentricity", "snr")
OWN_COLUMNS = (*RANK_COLUMNS, "stars", "angle", "sky_r", "sky_g", "sky_b", "noise", "transparency", "exposure_s")
# names that no file can bear on one of the three systems
_UNUSABLE_NAMES = {"con", "prn", "aux", "nul", "native", *(f"com{n}" for n in range(10)), *(f"lpt{n}" for n in range(10))}


@dataclass(frozen=True)
class Setting:
    """What stands about one key besides its default."""

    rule: Rule | None
    help: str
    unit: str = ""
    identity: Any = NO_IDENTITY


def _setting(default: Any, rule: Rule, help: str, *, unit: str = "", identity: Any = NO_IDENTITY, alias: str | None = None) -> Any:
    return Field(default, alias=alias, json_schema_extra={"setting": Setting(rule, help, unit, identity)})  # type: ignore[dict-item]


def _needed(rule: Rule, help: str, *, unit: str = "") -> Any:
    return Field(json_schema_extra={"setting": Setting(rule, help, unit)})  # type: ignore[dict-item]


def _part(model: Any, help: str) -> Any:
    return Field(default_factory=model, json_schema_extra={"setting": Setting(None, help)})  # type: ignore[dict-item]


def setting_of(model: type[Section], name: str) -> Setting:
    """What stands about the attribute ``name`` of ``model``."""
    extra = model.model_fields[name].json_schema_extra
    assert isinstance(extra, dict)
    setting: Any = extra["setting"]
    assert isinstance(setting, Setting)
    return setting


class Section(BaseModel):
    """A group of settings. Unknown keys are refused; every value is read by its rule before anything else sees it."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    @field_validator("*", mode="before")
    @classmethod
    def _by_rule(cls, value: Any, info: ValidationInfo) -> Any:
        assert info.field_name is not None
        rule = setting_of(cls, info.field_name).rule
        if rule is None:
            return {} if value is None else value  # a section whose every line is a comment
        base = (info.context or {}).get("base", Path())
        try:
            return rule.read(value, base)
        except RuleError as fault:
            raise PydanticCustomError("rule", "{text}", {"text": str(fault)}) from None


@dataclass(frozen=True)
class Sections(Rule):
    """A list of sections; pydantic reads what is inside. ``one``: a single section, not in a list."""

    model: type[Section]
    example: str
    one: bool = False

    @property
    def kind(self) -> str:
        return "group" if self.one else "list of groups"

    @property
    def span(self) -> str:
        return self.example

    def read(self, value: Any, base: Path) -> Any:
        if value is None or value == "none":
            return None if self.one else ()
        if isinstance(value, Section) or (isinstance(value, dict) if self.one else isinstance(value, list | tuple)):
            return value
        raise RuleError(f"must be {'a group' if self.one else 'a list of groups'} such as {self.example}, or none")

    def schema(self) -> dict[str, Any]:
        inner = _object_schema(self.model)
        return {"anyOf": [{"enum": ["none", None]}, inner if self.one else {"type": "array", "items": inner}]}


# ---------------------------------------------------------------- frames
class Exclude(Section):
    """Frames that are left out of every stack; each comes with its reason."""

    max_eccentricity: float = _setting(
        0.75, Number(0, 1, open_low=True), "leave out frames whose stars are longer than this (0 round, 1 a line; 1 keeps all)"
    )
    min_stars: float = _setting(
        0.4, Number(0, 1), "leave out frames with fewer stars than this share of the set's median count (clouds)", unit="share"
    )
    max_fwhm: float | None = _setting(
        None,
        Maybe(Number(0, open_low=True)),
        "leave out frames whose stars are wider than this along their long axis (fwhm_major)",
        unit="px",
    )
    min_transparency: float | None = _setting(
        None, Maybe(Number(0, 1)), "leave out frames whose stars are dimmer than this share of the clearest", unit="share"
    )
    max_sky: float | None = _setting(
        None, Maybe(Number(0, 1, open_low=True)), "leave out frames with a brighter sky", unit="of white level"
    )
    files: tuple[str, ...] = _setting(
        (),
        Maybe(ListOf(Text(), "a list of file names"), empty=()),
        "leave out these frames, by file name, with the folder where several have it",
    )


class Frames(Section):
    """The registered, debayered frames."""

    folder: Path | None = _setting(None, Maybe(Place()), "the folder that holds the frames")
    pattern: tuple[str, ...] | None = _setting(
        None,
        Maybe(ListOf(Text(), "a file pattern or a list of them", least=1, alone=True), "auto"),
        "which files; auto takes all FITS endings in any case, `**/*.fits` looks into subfolders too",
    )
    rank_by: str = _setting(
        "fwhm_major",
        Text(r"-?[\w .-]+", "must be a column to rank by", forms=f"{', '.join(RANK_COLUMNS)}, or another column"),
        "the column that ranks the frames: smallest first, but `snr`, `stars` and `transparency` largest first; `-name` reverses the order",
    )
    measurements: Path | None = _setting(
        None,
        Maybe(Place()),
        "a CSV of your own measures: a column `file` with the file names, others such as `fwhm`; missing ones are measured",
    )
    exclude: Exclude = _part(Exclude, "frames that are left out; each is named with its reason")
    white_level: float | None = _setting(
        None, Maybe(Number(0, open_low=True), "auto"), "the value at which the camera saturates; auto asks the headers", unit="ADU"
    )
    align: Literal["check", "fix", "off"] = _setting(
        "check",
        Choice(("check", "fix", "off")),
        "check that the frames lie on one grid and name those that do not (fix: not yet in this version)",
    )


# ---------------------------------------------------------------- stacks
class ChannelFiles(Section):
    """One file for each channel."""

    r: Path = _needed(Place(), "file of the red channel")
    g: Path = _needed(Place(), "file of the green channel")
    b: Path = _needed(Place(), "file of the blue channel")


class StackSpec(Section):
    """One stack: a share of the sharpest frames (``keep``), or a finished file."""

    keep: float | None = _setting(None, Number(0, 1, open_low=True, percent=True), "share of the sharpest frames", identity=1.0)
    weights: Literal["equal", "noise", "sharpness"] = _setting(
        "noise",
        Choice(("equal", "noise", "sharpness")),
        "how frames count: all the same, the quiet ones more, or the quiet and sharp ones more",
    )
    power: float = _setting(2.0, Number(0, 7), "with `weights: sharpness`: weight falls as FWHM to this power")
    kind: Literal["mean", "optimal"] = _setting(
        "mean", Choice(("mean", "optimal")), "a weighted mean, or the joint stack of several means (optimal: not yet in this version)"
    )
    psf: str = _setting(
        "native",
        Text(
            r"[\w-]+|[0-9]*\.?[0-9]+\s*px", "must be native, a stack's name or a width such as 2.8px", forms="native, a stack's name, 2.8px"
        ),
        "with `kind: optimal`: the star width it is brought to",
    )
    nodes: Literal[5, 11] = _setting(5, Choice((5, 11)), "with `kind: optimal`: how many means it joins")
    file: Path | None = _setting(None, Place(), "a finished stack instead of `keep`; same size and place as the others")
    files: ChannelFiles | None = _setting(
        None,
        Sections(ChannelFiles, "{r: red.fits, g: green.fits, b: blue.fits}", one=True),
        "a finished stack in three files, one for each channel",
    )

    @property
    def from_frames(self) -> bool:
        """Whether this stack is made from the frames."""
        return self.file is None and self.files is None


def _standard_stacks() -> dict[str, StackSpec]:
    return {name: StackSpec.model_validate(dict(spec)) for name, spec in STANDARD_STACKS.items()}


class Stacking(Section):
    """How frames are brought to one level and joined."""

    level_sky: Literal["offset", "plane"] = _setting(
        "plane",
        Choice(("offset", "plane")),
        "bring every frame's sky to the reference's: one number, or a plane (bent if need be) per channel",
    )
    match_brightness: bool = _setting(True, Switch(), "scale every frame so that its stars are as bright as the reference's")
    reject: float = _setting(
        3.0, Number(0, 10), "throw out values farther off than this many times the frame's noise; 0 keeps all", unit="sigma"
    )


# ---------------------------------------------------------------- sky, white, stars, curve
class Spot(Section):
    """A part of the picture, at pixel ``x, y`` or at the sky position ``ra, dec``."""

    x: float | None = _setting(None, Number(), "column of its centre", unit="px")
    y: float | None = _setting(None, Number(), "row of its centre, from the top", unit="px")
    ra: float | None = _setting(None, Angle(0, 360, hours=True), "right ascension of its centre", unit="degrees")
    dec: float | None = _setting(None, Angle(-90, 90), "declination of its centre", unit="degrees")
    radius: float | None = _setting(None, Number(0, open_low=True), "radius of a circle", unit="px")
    a: float | None = _setting(None, Number(0, open_low=True), "half axis of an ellipse", unit="px")
    b: float | None = _setting(None, Number(0, open_low=True), "the other half axis", unit="px")
    angle: float = _setting(0.0, Number(-360, 360), "of half axis `a`, from right towards down", unit="degrees")


class Flatten(Section):
    """Removal of the sky gradient, each channel by itself."""

    protect: tuple[Spot, ...] = _setting(
        (),
        Sections(Spot, "[{x: 480, y: 320, radius: 150}]"),
        "places that are target, not sky; galaxies that are found automatically need no entry",
        identity=(),
    )
    frame_filling: Literal["auto", "yes", "no"] = _setting(
        "auto", Choice(("auto", "yes", "no")), "whether nebula fills the frame, so that only a gentle gradient may be taken away"
    )
    mode: Literal["subtract", "divide", "off"] = _setting(
        "subtract",
        Choice(("subtract", "divide", "off")),
        "subtract a glow, divide by an uneven field, or leave the sky alone",
        identity="off",
    )


class White(Section):
    """Colour balance: one factor per channel for all stacks."""

    source: Literal["stars", "sky"] | tuple[float, float, float] | Path = _setting(
        "stars",
        Either(
            "stars, sky, three factors [r, 1, b] or a CSV of catalogue colours",
            (
                Choice(("stars", "sky")),
                ListOf(Number(0, COLOUR_FACTOR_LIMIT, open_low=True), "three factors [r, 1, b]", 3, 3),
                Place(),
            ),
        ),
        "where white comes from: the stars' own colours, the sky, three factors, or a catalogue with the columns ra, dec (degrees) and b_v",
        identity=(1.0, 1.0, 1.0),
        alias="from",
    )


_POINTS = Maybe(ListOf(ListOf(Number(), "a place [x, y]", 2, 2), "a list of places [x, y]"), empty=())


class SplitStars(Section):
    """Separation of the stars from everything else."""

    grow: float = _setting(1.0, Number(0.5, 2), "how far the mended surroundings of a star reach; 1 is as measured")
    keep_knots: bool = _setting(True, Switch(), "leave knots of the target in the starless picture although they look like stars")
    fill_hot: bool = _setting(
        True,
        Switch(),
        "fill spots of one channel that are narrower than any star: hot pixels that stand still in all frames",
        identity=False,
    )
    keep: tuple[tuple[float, float], ...] = _setting((), _POINTS, "places that are no stars and stay", unit="px")
    remove: tuple[tuple[float, float], ...] = _setting((), _POINTS, "places that are stars and go", unit="px")


class Display(Section):
    """The one curve from linear light to the picture, as sRGB codes 0..1."""

    sky: float = _setting(0.12, Number(0.02, 0.4), "code of the sky", unit="sRGB code")
    bright: float = _setting(0.7, Number(0.3, 0.9), "code of the target's brightest parts", unit="sRGB code")
    black: float = _setting(10.0, Number(2, 20), "black lies this many times the noise under the sky", unit="sigma")


# ---------------------------------------------------------------- roles
_STACK_NAME = Text(r"[\w-]+", "must be a stack's name", forms="a stack's name")


class Stars(Section):
    """The stars of the result."""

    stack: str = _setting("best25", _STACK_NAME, "the stack that gives the stars; if there is none of this name, the sharpest")
    saturation: float = _setting(1.2, Number(0, 3), "saturation of the stars; 1 leaves it as it is", identity=1.0)
    repair_cores: bool = _setting(
        True, Switch(), "give burnt-out star centres the colour of the ring around them, and every star one colour", identity=False
    )
    size: float = _setting(1.0, Number(0.5, 1), "make stars smaller; 1 leaves them as they are", identity=1.0)


class Detail(Section):
    """The light and dark of everything that is no star."""

    stack: str = _setting("deep", _STACK_NAME, "the stack that gives the detail; if there is none of this name, the middle one")
    deconvolve: float = _setting(
        0.5, Number(0, 1), "how far detail is brought towards narrower stars, only where it is above the noise", identity=0.0
    )
    grain: float = _setting(0.5, Number(0, 1), "share of texture that is kept although it may be noise", identity=1.0)
    sharpen: tuple[float, ...] = _setting(
        (1.0, 1.12, 1.08, 1.03),
        ListOf(Number(0, 3), "a list of gains, finest scale first", 1, MOST_SCALES, alone=True, times=4),
        "gain of each scale (about 2, 4, 8, 16 px), only where it is above the noise; 1 leaves it",
        identity=(1.0,),
    )
    core: float = _setting(0.3, Number(0, 1), "bend bright cores so that their inside shows", identity=0.0)


class Colour(Section):
    """The colour of everything that is no star."""

    stack: str = _setting("all", _STACK_NAME, "the stack that gives the colour; if there is none of this name, the deepest")
    denoise: float = _setting(1.0, Number(0, 1), "how strictly colour must stand above its noise", identity=0.0)
    saturation: float = _setting(1.2, Number(0, 3), "saturation of the target; 1 leaves it as it is", identity=1.0)
    green_ceiling: bool = _setting(False, Switch(), "hold green down to the mean of red and blue", identity=False)


class AddedLayer(Section):
    """A second filter's starless layer, screened in with one hue."""

    stack: str | None = _setting(None, _STACK_NAME, "which stack")
    file: Path | None = _setting(None, Place(), "or which file, registered to the others")
    hue: float = _setting(0.0, Number(0, 360), "its hue in OkLCh: about 30 red, 110 yellow, 145 green, 265 blue", unit="degrees")
    amount: float = _setting(1.0, Number(0, 1), "how much of it, after its stars are brought to those of the colour stack", identity=0.0)


class Roles(Section):
    """Which stack serves what."""

    stars: Stars = _part(Stars, "the stars: usually from the sharpest stack")
    detail: Detail = _part(Detail, "light and dark: usually from a sharpness-weighted stack of everything")
    colour: Colour = _part(Colour, "colour: usually from everything, as it is the quietest")
    add: AddedLayer | None = _setting(
        None,
        Sections(AddedLayer, "{stack: narrow, hue: 350, amount: 0.5}", one=True),
        "a second filter's starless layer, screened in with one hue; nothing by default",
    )


# ---------------------------------------------------------------- joining
class Combine(Section):
    """Detail's lightness into colour."""

    space: Literal["oklab", "cielab"] = _setting("oklab", Choice(("oklab", "cielab")), "the colour space whose lightness is exchanged")
    amount: float = _setting(1.0, Number(0, 1), "how much of the detail's lightness; 0 leaves the colour stack's own", identity=0.0)
    chroma: Literal["follow", "keep"] = _setting("follow", Choice(("follow", "keep")), "whether colour grows with lightness or stays")


class Blend(Section):
    """Stars onto the starless picture."""

    mode: Literal["screen", "soft-light", "lighten", "plus-lighter", "normal"] = _setting(
        "screen",
        Choice(("screen", "soft-light", "lighten", "plus-lighter", "normal")),
        "screen leaves stars as they were, plus-lighter brightens them on the target, lighten loses those fainter than their ground, "
        "normal paints them over the picture, soft-light hardly lifts them over dark sky",
        identity="screen",
    )
    amount: float = _setting(1.0, Number(0, 1), "how much of the stars", identity=1.0)
    gate: float = _setting(
        3.0, Number(0, 10), "below this, the colour stack's stars serve instead of the sharp stack's noise", unit="sigma", identity=0.0
    )


class Compare(Section):
    """What the result is judged against."""

    against: Literal["plain"] | Path = _setting(
        "plain",
        Either("plain, or a recipe, result folder or picture", (Choice(("plain",)), Place())),
        "plain is the same recipe with every role from the stack `all` (without one: the colour stack) and nothing done to it",
    )


class Output(Section):
    """What is written where."""

    folder: Path | None = _setting(None, Maybe(Place(), "auto"), "where results go; auto is out/NAME beside the recipe")
    formats: tuple[str, ...] = _setting(
        ("tiff", "png", "fits", "jpeg"),
        ListOf(Choice(("tiff", "png", "fits", "jpeg")), "a list of tiff, png, fits, jpeg", 1, 4, alone=True),
        "kinds of files; tiff and png have 16 bits, fits is linear, jpeg a preview",
    )
    crop: Literal["common"] | tuple[int, int, int, int] | None = _setting(
        None,
        Maybe(
            Either(
                "common or a box [x0, y0, x1, y1]",
                (Choice(("common",)), ListOf(Number(0, whole=True), "a box [x0, y0, x1, y1]", 4, 4)),
            )
        ),
        "cut to what all frames cover, or to a box",
        unit="px",
        identity=None,
    )


class Recipe(Section):
    """One target's recipe. Only ``target`` and frames or stacks are required."""

    target: str = _needed(Text(), "its name")
    frames: Frames = _part(Frames, "the registered, debayered frames")
    stacks: dict[str, StackSpec] = _part(
        _standard_stacks, "the stacks, by name, sharpest first; if left out, best25, best50, best75, all and deep"
    )
    stacking: Stacking = _part(Stacking, "how frames are brought to one level and joined")
    flatten: Flatten = _part(Flatten, "removal of the sky gradient")
    white: White = _part(White, "colour balance")
    split: SplitStars = _part(SplitStars, "separation of the stars from everything else")
    display: Display = _part(Display, "the one curve from linear light to the picture")
    roles: Roles = _part(Roles, "which stack serves what")
    combine: Combine = _part(Combine, "the detail's lightness into the colour")
    blend: Blend = _part(Blend, "the stars onto the rest")
    compare: Compare = _part(Compare, "what the result is judged against")
    output: Output = _part(Output, "what is written where")

    _path: Path | None = PrivateAttr(None)

    @field_validator("stacks", mode="before")
    @classmethod
    def _whole_stacks(cls, value: Any) -> Any:
        """A share alone stands for ``{keep: share}``; a standard name without ``keep`` or file means the standard stack."""
        if value is None or value == {}:
            value = STANDARD_STACKS
        if not isinstance(value, Mapping):
            raise PydanticCustomError("rule", "must be a group of named stacks such as {{best25: {{keep: 25%}}}}")
        return {str(name): _whole_stack(str(name), spec) for name, spec in value.items()}

    @property
    def path(self) -> Path | None:
        """The file this recipe was read from; None for one made from data."""
        return self._path

    @property
    def home(self) -> Path:
        """The folder of the recipe, where the store lies; the working folder for one made from data."""
        return Path.cwd() if self._path is None else self._path.parent

    def placed(self, path: Path | None) -> Recipe:
        """This recipe as one that lies at ``path``, with its store beside it."""
        placed = self.model_copy()
        placed._path = path
        return placed

    @property
    def order(self) -> tuple[str, ...]:
        """The stacks' names, sharpest first."""
        return sharpness_order(self.stacks)

    @property
    def sharpest(self) -> str:
        """The stack of the smallest share."""
        return self.order[0]

    @property
    def deepest(self) -> str:
        """The stack with the least noise: `all`, else the one of the largest share. Sky and white are found on it."""
        return "all" if "all" in self.stacks else self.order[-1]

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Recipe) and self.__dict__ == other.__dict__

    __hash__ = None  # type: ignore[assignment]


def _whole_stack(name: str, spec: Any) -> Any:
    if isinstance(spec, int | float | str) and not isinstance(spec, bool):
        spec = {"keep": spec}
    spec = {} if spec is None else spec
    if isinstance(spec, Mapping) and name in STANDARD_STACKS and not {"keep", "file", "files"} & set(spec):
        return {**STANDARD_STACKS[name], **spec}
    return spec


def _share(name: str, spec: StackSpec) -> float | None:
    """Share of the frames in a stack: as written, else as its name says (best25: .25, all and deep: 1), else unknown."""
    if spec.keep is not None:
        return spec.keep
    if match := re.fullmatch(r"best(\d{1,2})", name):
        return int(match[1]) / 100
    return 1.0 if name in {"all", "deep"} else None


def sharpness_order(stacks: Mapping[str, StackSpec]) -> tuple[str, ...]:
    """Names, sharpest first: by share, sharpness weights before others; as written where a share is unknown."""
    shares = {name: _share(name, spec) for name, spec in stacks.items()}
    if any(share is None for share in shares.values()):
        return tuple(stacks)
    return tuple(sorted(stacks, key=lambda name: (shares[name], stacks[name].weights != "sharpness" and name != "deep")))


# ---------------------------------------------------------------- what follows from the rest
def complete(recipe: Recipe, base: Path) -> Recipe:
    """The recipe with every default that depends on other keys filled in: the roles' stacks and the output folder."""
    update: dict[str, Any] = {}
    fallback = {"stars": recipe.sharpest, "detail": recipe.order[(len(recipe.order) - 1) // 2], "colour": recipe.deepest}
    roles: dict[str, Any] = {}
    for role, stack in fallback.items():
        part = getattr(recipe.roles, role)
        if part.stack not in recipe.stacks and "stack" not in part.model_fields_set:
            roles[role] = part.model_copy(update={"stack": stack})
    if roles:
        update["roles"] = recipe.roles.model_copy(update=roles)
    if recipe.output.folder is None:
        update["output"] = recipe.output.model_copy(update={"folder": base / "out" / file_name(recipe.target)})
    return recipe.model_copy(update=update)


def file_name(target: str) -> str:
    """A target's name as every system's file names allow it: 'Lantern Spiral' gives 'Lantern_Spiral'."""
    name = re.sub(r"[^\w-]+", "_", target).strip("_") or "result"
    return f"{name}_" if name.lower() in _UNUSABLE_NAMES else name


def relations(recipe: Recipe) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Faults between settings, each with the key it belongs to; nothing when the recipe is sound."""
    yield from _frames_faults(recipe)
    yield from _stack_faults(recipe)
    yield from _role_faults(recipe)
    for index, spot in enumerate(recipe.flatten.protect):
        yield from _spot_faults(("flatten", "protect", index), spot)
    if isinstance(recipe.white.source, tuple) and recipe.white.source[1] != 1:
        yield ("white", "from"), f"must have 1 as its middle factor (green stays), got {list(recipe.white.source)}"
    if recipe.display.sky >= recipe.display.bright:
        yield ("display", "bright"), f"must be above display.sky ({recipe.display.sky:g}), got {recipe.display.bright:g}"
    crop = recipe.output.crop
    if isinstance(crop, tuple) and not (crop[0] < crop[2] and crop[1] < crop[3]):
        yield ("output", "crop"), f"must be a box [x0, y0, x1, y1] with x0 < x1 and y0 < y1, got {list(crop)}"
    if recipe.output.folder is not None and recipe.output.folder == recipe.frames.folder:
        yield ("output", "folder"), "must not be the frames' own folder"


def _frames_faults(recipe: Recipe) -> Iterator[tuple[tuple[str | int, ...], str]]:
    frames = recipe.frames
    if frames.folder is None and any(spec.from_frames and spec.keep is not None for spec in recipe.stacks.values()):
        yield ("frames", "folder"), "is required: name the folder of the frames, or give every stack as a finished file"
    if frames.align == "fix":
        yield ("frames", "align"), f"`fix` {NOT_YET}; register the frames first and use check"
    column = frames.rank_by.removeprefix("-")
    if frames.measurements is None and column not in OWN_COLUMNS:
        near = get_close_matches(column, OWN_COLUMNS, 1)
        hint = f"  (nearest: {near[0]})" if near else ""
        yield ("frames", "rank_by"), f"must be one of {', '.join(OWN_COLUMNS)}, or a column of frames.measurements, got {column!r}{hint}"


def _stack_faults(recipe: Recipe) -> Iterator[tuple[tuple[str | int, ...], str]]:
    seen: dict[str, str] = {}
    for name, spec in recipe.stacks.items():
        place = ("stacks", name)
        if not re.fullmatch(r"[\w-]+", name) or name.lower() in _UNUSABLE_NAMES:
            yield place, "must be a name of letters, digits, - and _ that a file can bear"
        if (twin := seen.setdefault(name.lower(), name)) != name:
            yield place, f"differs from `{twin}` by capitals alone, which not every disk can tell apart"
        given = [key for key in ("keep", "file", "files") if getattr(spec, key) is not None]
        if not given:
            yield place, "needs keep (a share of the frames), file or files"
        elif len(given) > 1:
            yield (*place, given[1]), f"cannot stand beside {given[0]}: a stack is made from frames or is a finished file"
        if spec.kind == "optimal":
            yield (*place, "kind"), f"`optimal` {NOT_YET}; use mean"
        is_width = re.fullmatch(r"[0-9.]+\s*px", spec.psf) is not None
        if spec.psf != "native" and not is_width and spec.psf not in recipe.stacks:
            yield (*place, "psf"), f"names no stack, got {spec.psf!r}{_nearest_stack(spec.psf, recipe)}"
        elif spec.psf != "native" and spec.kind == "mean":
            yield (*place, "psf"), f"needs kind: optimal, which {NOT_YET}; leave it at native"


def _role_faults(recipe: Recipe) -> Iterator[tuple[tuple[str | int, ...], str]]:
    for role in ("stars", "detail", "colour"):
        stack = getattr(recipe.roles, role).stack
        if stack not in recipe.stacks:
            yield ("roles", role, "stack"), f"names no stack, got {stack!r}{_nearest_stack(stack, recipe)}"
    added = recipe.roles.add
    if added is not None:
        if (added.stack is None) == (added.file is None):
            yield ("roles", "add"), "needs either stack or file"
        elif added.stack is not None and added.stack not in recipe.stacks:
            yield ("roles", "add", "stack"), f"names no stack, got {added.stack!r}{_nearest_stack(added.stack, recipe)}"


def _nearest_stack(name: str, recipe: Recipe) -> str:
    near = get_close_matches(name, recipe.stacks, 1, 0.5)
    return f"  (nearest: {near[0]})" if near else f"  (stacks: {', '.join(recipe.stacks)})"


def _spot_faults(place: tuple[str | int, ...], spot: Spot) -> Iterator[tuple[tuple[str | int, ...], str]]:
    on_pixels, on_sky = (spot.x, spot.y), (spot.ra, spot.dec)
    if (None not in on_pixels) == (None not in on_sky) or (on_pixels != (None, None) and on_sky != (None, None)):
        yield place, "needs x and y, or ra and dec"
    axes = (spot.a, spot.b)
    if (spot.radius is None) == (None in axes) or (spot.radius is not None and axes != (None, None)):
        yield place, "needs radius, or a and b"


# ---------------------------------------------------------------- the settings as data
class Row(NamedTuple):
    """One line of the settings table. ``default`` and ``identity`` are YAML data; ``identity`` is None where nothing switches it off."""

    key: str
    kind: str
    span: str
    unit: str
    default: Any
    identity: Any
    has_identity: bool
    required: bool
    help: str


def key_of(model: type[Section], name: str) -> str:
    """The recipe key of an attribute: ``source`` is written ``from``."""
    return model.model_fields[name].alias or name


def part_of(model: type[Section], name: str) -> type[Section] | None:
    """The section that stands at an attribute (for ``stacks`` and lists of sections: what stands inside), else None."""
    if model is Recipe and name == "stacks":
        return StackSpec
    setting = setting_of(model, name)
    if isinstance(setting.rule, Sections):
        return setting.rule.model
    annotation = model.model_fields[name].annotation
    return annotation if isinstance(annotation, type) and issubclass(annotation, Section) else None


def settings(model: type[Section] | None = None, prefix: str = "") -> Iterator[Row]:
    """Every setting in the order of the recipe, with its full key; ``stacks.NAME`` stands for any stack."""
    model = Recipe if model is None else model
    for name, field in model.model_fields.items():
        setting, key = setting_of(model, name), prefix + key_of(model, name)
        if setting.rule is not None:
            default = None if field.is_required() else written(setting.rule, field.default)
            has_identity = setting.identity is not NO_IDENTITY
            identity = written(setting.rule, setting.identity) if has_identity else None
            yield Row(
                key, setting.rule.kind, setting.rule.span, setting.unit, default, identity, has_identity, field.is_required(), setting.help
            )
        part = part_of(model, name)
        if part is not None:
            inner = ".NAME." if part is StackSpec else "[]." if isinstance(setting.rule, Sections) and not setting.rule.one else "."
            yield from settings(part, key + inner)


def written(rule: Rule | None, value: Any, show_path: Any = str) -> Any:
    """A setting's value as YAML data: paths as text, tuples as lists, whole floats as integers, nothing as its word."""
    if isinstance(rule, Maybe) and value == rule.empty:
        return rule.word
    if isinstance(rule, Sections) and not value:
        return "none"
    if isinstance(value, Path):
        return show_path(value)
    if isinstance(value, tuple):
        return [written(None, item, show_path) for item in value]
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return int(value)
    return value


def flow(value: Any) -> str:
    """YAML data on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return f"[{', '.join(flow(item) for item in value)}]"
    return "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def json_schema() -> dict[str, Any]:
    """The recipe's JSON Schema (draft 2020-12), for editors that complete and check YAML."""
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "layerblend recipe"}
    return head | _object_schema(Recipe)


def _object_schema(model: type[Section]) -> dict[str, Any]:
    properties: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        setting, part = setting_of(model, name), part_of(model, name)
        if part is StackSpec:
            share = Number(0, 1, open_low=True, percent=True).schema()["anyOf"]
            inner = {"anyOf": [_object_schema(StackSpec), {"type": "null"}, *share]}
            form: dict[str, Any] = {"type": ["object", "null"], "additionalProperties": inner}
        elif setting.rule is None:
            assert part is not None
            form = _object_schema(part) | {"type": ["object", "null"]}
        else:
            form = setting.rule.schema()
            if not field.is_required():
                default = written(setting.rule, field.default)
                form |= {} if default is None else {"default": default}
        unit = f" ({setting.unit})" if setting.unit else ""
        properties[key_of(model, name)] = form | {"description": setting.help + unit}
    required = [key_of(model, name) for name, field in model.model_fields.items() if field.is_required()]
    schema: dict[str, Any] = {"type": "object", "additionalProperties": False, "properties": properties}
    return schema | ({"required": required} if required else {})


# ---------------------------------------------------------------- what cannot change a pixel
LEAST_MEMORY = 10**6
_SIZES = {"": 1, "b": 1, "kb": 10**3, "mb": 10**6, "gb": 10**9, "tb": 10**12, "kib": 2**10, "mib": 2**20, "gib": 2**30, "tib": 2**40}


@dataclass(frozen=True)
class Execution:
    """How a run is carried out: none of it changes a pixel, none of it enters a key. ``memory`` in bytes."""

    workers: int | None = None
    memory: int | None = None
    cluster: str | None = None
    quiet: bool = False
    json: bool = False

    @classmethod
    def from_options(
        cls,
        *,
        workers: int | None = None,
        memory: str | int | None = None,
        cluster: str | None = None,
        quiet: bool = False,
        json: bool = False,
    ) -> Execution:
        """From the command line's words: ``memory`` such as 6GB or 512 MiB."""
        if workers is not None and workers < 1:
            raise RecipeError(f"--workers must be 1 or more, got {workers}.", key="--workers")
        return cls(workers, parse_bytes(memory) if isinstance(memory, str) else memory, cluster, quiet, json)


def parse_bytes(text: str) -> int:
    """Bytes of a size such as 6GB, 1.5 GiB or 800MB; a bare 6 would be six bytes and is refused."""
    match = re.fullmatch(r"\s*([0-9]*\.?[0-9]+)\s*([a-zA-Z]*)\s*", text)
    if not match or match[2].lower() not in _SIZES or float(match[1]) <= 0:
        raise RecipeError(f"--memory must be a size such as 6GB or 800MB, got {text!r}.", key="--memory")
    size = int(float(match[1]) * _SIZES[match[2].lower()])
    if size < LEAST_MEMORY:
        raise RecipeError(f"--memory must be at least 1MB, got {text!r}, which is {size} bytes; say 6GB or 800MB.", key="--memory")
    return size
