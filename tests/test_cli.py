"""The command line: help that teaches, one JSON object per command, exit codes, and never a traceback for what a user can get wrong."""

from __future__ import annotations

import errno
import io
import itertools
import json
import os
import shlex
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
from astropy.io import fits

from layerblend import __version__, api, cli
from layerblend.errors import StoppedError
from layerblend.files.pictures import write_fits, write_frame
from layerblend.files.provenance import RECORD
from layerblend.plan import STEPS
from tests.conftest import Demo, Spoken

Run = Callable[..., Spoken]
COMMANDS = ("demo", "new", "check", "grade", "stack", "blend", "compare", "sweep", "schema", "try")
ENVELOPE = ["schema", "command", "status", "outputs", "warnings", "data"]
COMMAND = (sys.executable, "-m", "layerblend")
NUMERICS = ("numpy", "scipy", "astropy", "numba", "cv2", "skimage", "matplotlib", "tifffile", "PIL", "imagecodecs")


def command(*words: Any, cwd: Path | None = None, **more: Any) -> subprocess.CompletedProcess[str]:
    """The command line in a process of its own."""
    call = [*COMMAND, *map(str, words)]
    return subprocess.run(call, cwd=cwd, capture_output=True, text=True, encoding="utf-8", timeout=120, check=False, **more)


def refused(said: Spoken, code: int, what: str, *, word: str = "") -> dict[str, Any]:
    """Checks the envelope of a failure; returns its error."""
    answer = said.json
    assert list(answer) == [*ENVELOPE, "error"]
    assert (answer["schema"], answer["status"], answer["outputs"], answer["data"]) == (1, "failed", [], {})
    error = answer["error"]
    assert list(error) == ["code", "text", "file", "line", "key"]
    assert (said.code, error["code"]) == (code, what), error
    assert word in error["text"]
    assert "Traceback" not in said.err and said.err.strip()
    return error


# ---------------------------------------------------------------- help
def test_help_and_a_faulty_recipe_import_no_numerics(tmp_path: Path) -> None:
    (tmp_path / "bad.yaml").write_text("target: x\nframez: {}\n", encoding="utf-8")
    script = f"""
import sys
from layerblend import cli
for words in (["--help"], *([c, "--help"] for c in {COMMANDS!r}), ["schema"], ["check", "bad.yaml"], ["blend"]):
    try:
        cli.main(words)
    except SystemExit:
        pass
print(sorted(set(sys.modules) & set({NUMERICS!r})))
"""
    done = subprocess.run([sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True, encoding="utf-8", check=True)
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.parametrize("name", COMMANDS)
def test_help_teaches(layerblend: Run, name: str) -> None:
    said = layerblend(name, "--help")
    assert said.code == 0
    for option in ("--json", "--quiet", "--workers", "--memory", "--cluster"):
        assert option in said.out
    body = " ".join(said.out.split())
    assert body.startswith("Usage:") and f" {name} " in body.split("OPTIONS")[0]
    assert name in ("schema", "try") or "Example" in body


def test_help_names_all_commands_steps_and_ways_out(layerblend: Run) -> None:
    top = layerblend("--help").out
    for name in COMMANDS:
        assert f" {name} " in top
    for code in ("0 done", "2 ", "3 ", "4 ", "1 "):
        assert code in top
    assert layerblend().code == 2
    body = " ".join(layerblend("blend", "--help").out.replace("│", " ").split())
    assert ", ".join(STEPS) in body


@pytest.mark.parametrize("name", ["", *COMMANDS])
def test_help_fills_its_lines(name: str) -> None:
    """At 80 columns no line of a paragraph ends before the next one's first word would have had room."""
    said = command(*([name] if name else []), "--help", env=os.environ | {"COLUMNS": "80", "TERM": "dumb"}).stdout
    lines = [line.strip() for line in said.partition("╭")[0].partition("+-")[0].splitlines()]
    early = [(line, after) for line, after in itertools.pairwise(lines) if line and after and len(line) + len(after.split()[0]) < 74]
    assert lines and not early


def test_a_bare_command_shows_help(layerblend: Run) -> None:
    said = layerblend()
    assert said.code == 2 and "Usage" in said.out + said.err


# ---------------------------------------------------------------- the envelope
def test_done_is_one_object(layerblend: Run, demo: Demo, tmp_path: Path) -> None:
    said = layerblend("grade", demo.recipe, "--out", tmp_path, "--json", "-q")
    answer = said.json
    assert said.code == 0 and list(answer) == ENVELOPE and said.out.count("\n") == 1
    assert (answer["schema"], answer["command"], answer["status"]) == (1, "grade", "done")
    assert answer["outputs"] == [str(tmp_path / "grade" / "frames.csv"), str(tmp_path / "grade" / "report.png")]
    assert answer["warnings"] and all(set(warning) == {"code", "text", "file"} for warning in answer["warnings"])


@pytest.mark.parametrize(
    "words, text",
    [
        (("blend", "x.yaml", "--foo"), "No such option"),
        (("blend",), "Missing argument"),
        (("blend", "x.yaml", "--workers", "0"), "--workers"),
        (("blend", "x.yaml", "--workers", "many"), "--workers"),
        (("polish", "x.yaml"), "polish"),
        (("demo", "--frames", "1"), "--frames"),
        (("sweep", "x.yaml"), "--try"),
    ],
)
def test_what_the_command_line_library_refuses_answers_alike(layerblend: Run, words: tuple[str, ...], text: str) -> None:
    error = refused(layerblend(*words, "--json"), 2, "command_line", word=text)
    assert "--help`" in error["text"]
    plain = layerblend(*words)
    assert plain.code == 2 and plain.out == "" and plain.err.strip() == error["text"]


def test_a_frame_without_stars_is_graded_in_json_too(layerblend: Run, demo: Demo, tmp_path: Path) -> None:
    folder = tmp_path / "own" / "frames"
    folder.mkdir(parents=True)
    for frame in demo.frames[:3]:
        (folder / frame.name).symlink_to(frame)
    height, width = fits.getdata(demo.frames[0]).shape[-2:]
    blank = np.random.default_rng(1).normal(3000, 20, (3, height, width)).astype(np.uint16)
    write_frame(folder / "blank.fits", blank)
    said = layerblend("grade", folder, "--out", tmp_path / "out", "--json", "-q")
    rows = {row["file"]: row for row in said.json["data"]["frames"]}
    assert said.code == 0 and rows["blank.fits"]["fwhm_major"] is None and rows["blank.fits"]["excluded"]
    shown = layerblend("grade", folder, "--out", tmp_path / "out", "-q").out
    assert " nan" not in shown


def test_a_comparison_never_takes_the_place_of_what_it_compares(layerblend: Run, tmp_path: Path) -> None:
    picture = np.random.default_rng(2).integers(0, 255, (90, 120, 4), np.uint8)
    (tmp_path / "sheet.png").write_bytes(imagecodecs.png_encode(picture))
    (tmp_path / "b.png").write_bytes(imagecodecs.png_encode(np.ascontiguousarray(picture[..., :3])))
    before = (tmp_path / "sheet.png").read_bytes()
    words = ("compare", tmp_path / "sheet.png", tmp_path / "b.png", "--json", "-q")
    refused(layerblend(*words, "--out", tmp_path), 2, "overwrites_input", word="sheet.png")
    assert (tmp_path / "sheet.png").read_bytes() == before
    told = layerblend(*words, "--out", tmp_path / "else").json["warnings"]
    assert any("transparency" in note["text"] for note in told)


def test_wrong_values_of_options(layerblend: Run, demo: Demo, tmp_path: Path) -> None:
    assert refused(layerblend("demo", "--size", "big", "--out", tmp_path, "--json"), 2, "recipe")["key"] == "--size"
    assert refused(layerblend("stack", demo.recipe, "--memory", "much", "--json"), 2, "recipe")["key"] == "--memory"
    refused(layerblend("blend", demo.recipe, "--set", "roles.detail.stak=all", "--json"), 2, "recipe", word="(nearest: roles.detail.stack)")
    refused(layerblend("blend", demo.recipe, "--upto", "polish", "--json"), 2, "recipe", word="grade, stack")
    refused(layerblend("grade", demo.recipe, "--cluster", "tcp://127.0.0.1:1", "--json"), 2, "recipe")
    refused(layerblend("try", demo.recipe, "--json"), 2, "recipe", word="not yet")


def test_all_faults_of_a_recipe_at_once(layerblend: Run, tmp_path: Path) -> None:
    recipe = tmp_path / "r.yaml"
    recipe.write_text("target: x\nframes:\n  folder: f\n  rank: fwhm\nstacks:\n  best25: {keep: 1.5}\nsplit: {grow: 9}\n", encoding="utf-8")
    for name in ("check", "blend", "stack", "grade"):
        said = layerblend(name, recipe)
        assert said.code == 2
        lines = said.err.splitlines()
        assert [line.split("  ")[0].rsplit(":", 1)[1] for line in lines] == ["4", "6", "7"]
        assert "frames.rank" in lines[0] and "got 1.5" in lines[1] and "split.grow" in lines[2]
    error = refused(layerblend("check", recipe, "--json"), 2, "recipe", word="got 1.5")
    assert (error["file"], error["line"], error["key"]) == (str(recipe), 4, "frames.rank")


def test_schema_is_json(layerblend: Run) -> None:
    assert json.loads(layerblend("schema").out) == layerblend("schema", "--json").json["data"]


def test_check_reads_no_pixel(layerblend: Run, demo: Demo, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("layerblend.chain.frames.read_image", lambda info: pytest.fail("read"))
    said = layerblend("check", demo.recipe, "--json", "--set", "stacking.reject=4")
    nodes = {node["node"]: node for node in said.json["data"]["nodes"]}
    assert said.code == 0 and nodes["stacks"]["status"] == "would run"
    assert {node["status"] for name, node in nodes.items() if name.startswith("grade/")} == {"done"}


def test_names_with_brackets_are_shown_as_they_are(layerblend: Run, tmp_path: Path) -> None:
    """Square brackets and colons mean something to the library that prints."""
    name = str(Path("[red]M :star: [/x]"))
    said = layerblend("new", tmp_path / name)
    assert said.code == 2 and name in said.err
    folder = tmp_path / "[red]x [/y]"
    write_frame(folder / "a.fits", np.full((3, 8, 8), 9, np.uint16))
    said = layerblend("new", folder)
    assert said.code == 0 and f"Wrote {folder.with_name(folder.name + '.yaml')}." in said.out


@pytest.mark.parametrize(
    "words, what",
    [
        (("new", "nowhere"), "no_folder"),
        (("new", "finished.yaml"), "no_folder"),
        (("new", "{frames}", "--out", "finished.yaml"), "exists"),
        (("demo", "--out", "{frames}"), "exists"),
        (("grade", "finished.yaml"), "no_frames"),
        (("stack", "finished.yaml"), "no_frames"),
        (("grade", "{recipe}", "--links", "{frames}"), "input"),
        (("grade", "{recipe}", "--links", "all.fits"), "overwrite"),
        (("grade", "{recipe}", "--csv", "{frames}"), "overwrite"),
        (("blend", "{recipe}", "--out", "{frames}"), "overwrite"),
        (("check", "{recipe}", "--set", "frames.white_level=1"), "white_level"),
        (("compare", "nowhere.tif", "{recipe}"), "no_file"),
        (("compare", "{frames}"), "no_result"),
        (("compare", "all.fits", "{recipe}"), "not_a_picture"),
    ],
)
def test_a_wrong_place_is_a_fault_of_the_command_line(
    layerblend: Run, demo: Demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], what: str
) -> None:
    """The frames are sound, so it is not exit code 3."""
    monkeypatch.chdir(tmp_path)
    write_fits(tmp_path / "all.fits", np.full((40, 60, 3), 0.1, np.float32))
    (tmp_path / "finished.yaml").write_text("target: x\nstacks: {all: {file: all.fits}}\n", encoding="utf-8")
    named = [word.format(frames=demo.folder / "frames", recipe=demo.recipe) for word in words]
    refused(layerblend(*named, "--json", "-q"), 2, what)


@pytest.mark.skipif(os.name == "nt", reason="names end elsewhere there")
@pytest.mark.parametrize(
    "words", [("check", "{}"), ("grade", "{}"), ("blend", "{recipe}", "--out", "{}"), ("compare", "{}.tif", "{recipe}")]
)
def test_a_name_that_is_too_long_is_a_fault_of_the_command_line(layerblend: Run, demo: Demo, words: tuple[str, ...]) -> None:
    refused(layerblend(*(word.format("x" * 300, recipe=demo.recipe) for word in words), "--json", "-q"), 2, "name")


def test_a_folder_in_the_place_of_a_recipe_names_the_recipe_in_it(layerblend: Run, demo: Demo, tmp_path: Path) -> None:
    refused(layerblend("check", demo.out, "--json"), 2, "recipe_missing", word=f"in it: {demo.out / 'recipe.yaml'}.")
    refused(layerblend("check", tmp_path, "--json"), 2, "recipe_missing", word=f"layerblend new {tmp_path}")


def test_outputs_are_whole_paths_wherever_the_command_stands(
    layerblend: Run, demo: Demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    answer = layerblend("grade", demo.recipe, "--out", "here", "--csv", "t.csv", "--json", "-q").json
    assert answer["outputs"] == [str(tmp_path / "here" / "grade" / name) for name in ("frames.csv", "report.png")] + [
        str(tmp_path / "t.csv")
    ]


# ---------------------------------------------------------------- input that cannot be used
def frames(folder: Path, count: int = 4, shape: tuple[int, ...] = (3, 40, 60)) -> Path:
    rng = np.random.default_rng(7)
    for index in range(count):
        write_frame(folder / f"L_{index}.fits", rng.integers(900, 1100, shape, np.uint16), cards=[("EXPTIME", 60.0, "")])
    return folder


def recipe_for(folder: Path, more: str = "") -> Path:
    path = folder.parent / "r.yaml"
    path.write_text(f"target: x\nframes:\n  folder: {json.dumps(folder.name, ensure_ascii=False)}\n{more}", encoding="utf-8")
    return path


def test_missing_or_empty_folders(layerblend: Run, tmp_path: Path) -> None:
    refused(layerblend("blend", recipe_for(tmp_path / "nothing"), "--json"), 3, "no_folder", word="frames.folder")
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / "a.jpg").touch()
    refused(layerblend("blend", recipe_for(tmp_path / "empty"), "--json"), 3, "no_frames", word="1 x .jpg")
    refused(layerblend("blend", tmp_path / "nothing_like_it.yaml", "--json"), 2, "recipe_missing", word="`layerblend new FOLDER` writes")
    refused(layerblend("grade", tmp_path / "no", "--json"), 2, "recipe_missing", word="recipe or folder")


@pytest.mark.parametrize("size", ["10x10", "239x640", "30000x640"])
def test_a_demo_of_no_use_is_a_fault_of_the_command_line(layerblend: Run, tmp_path: Path, size: str) -> None:
    refused(layerblend("demo", "--out", tmp_path / "d", "--size", size, "--json"), 2, "recipe", word="--size")
    assert not (tmp_path / "d").exists()


def test_a_seed_below_zero_is_a_fault_of_the_command_line(layerblend: Run, tmp_path: Path) -> None:
    said = layerblend("demo", "--out", tmp_path / "d", "--seed", "-5")
    assert said.code == 2 and "--seed" in said.err and not (tmp_path / "d").exists()


def test_equations_are_solved_in_one_thread() -> None:
    """Set before the linear algebra is loaded, or it is too late; what the imager has set stays."""
    code = "import atexit, os, sys; from layerblend import cli; assert 'numpy' not in sys.modules; "
    code += "atexit.register(lambda: print(os.environ['OPENBLAS_NUM_THREADS'], 'numpy' in sys.modules)); cli.main(['--help'])"
    clean = {name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")}
    for given, wanted in (({}, "1"), ({"OPENBLAS_NUM_THREADS": "3"}, "3")):
        said = subprocess.run([sys.executable, "-c", code], env=clean | given, capture_output=True, encoding="utf-8", check=False)
        assert said.stdout.split()[-2:] == [wanted, "False"], said.stderr


def test_mixed_sizes_are_named(layerblend: Run, tmp_path: Path) -> None:
    folder = frames(tmp_path / "f")
    write_frame(folder / "odd.fits", np.ones((3, 40, 61), np.uint16))
    refused(layerblend("blend", recipe_for(folder), "--json"), 3, "mixed_grid", word="odd.fits (61 x 40)")


def test_floats_without_a_white_level(layerblend: Run, tmp_path: Path) -> None:
    (tmp_path / "f").mkdir()
    for index in range(3):
        fits.writeto(tmp_path / "f" / f"{index}.fits", np.random.default_rng(index).normal(0.1, 0.01, (3, 40, 60)).astype(np.float32))
    for name in ("check", "grade", "blend"):
        error = refused(layerblend(name, recipe_for(tmp_path / "f"), "--json"), 3, "white_level", word="0.fits and 2 more files")
        assert error["key"] == "frames.white_level"


def test_frames_without_stars(layerblend: Run, tmp_path: Path) -> None:
    """Clouds in every frame: nothing to rank by, and said so."""
    said = layerblend("stack", recipe_for(frames(tmp_path / "f")), "--json", "-q")
    error = refused(said, 3, "no_frames")
    assert "stars" in error["text"]


def test_a_truncated_frame_is_named_left_out_and_the_rest_used(layerblend: Run, demo: Demo, tmp_path: Path) -> None:
    folder = tmp_path / "Größe – Ziel 7"
    folder.mkdir()
    for path in demo.frames:
        shutil.copyfile(path, folder / path.name)
    half = sorted(folder.iterdir())[1]
    half.write_bytes(half.read_bytes()[: half.stat().st_size // 2])
    said = layerblend("grade", recipe_for(folder), "--json", "-q")
    assert said.code == 0
    texts = [w["text"] for w in said.json["warnings"]]
    assert any(half.name in text and "cut short" in text for text in texts)
    graded = {row["file"] for row in said.json["data"]["frames"]}
    assert half.name not in graded and len(graded) == len(demo.frames) - 1


def test_most_frames_unreadable_is_a_stop(layerblend: Run, tmp_path: Path) -> None:
    folder = frames(tmp_path / "f", 3)
    for name in ("L_0.fits", "L_1.fits"):
        (folder / name).write_bytes((folder / name).read_bytes()[:3000])
    refused(layerblend("grade", recipe_for(folder), "--json"), 3, "short_file", word="L_0.fits")


def test_a_finished_stack_that_cannot_be(layerblend: Run, tmp_path: Path) -> None:
    recipe = tmp_path / "r.yaml"
    for content, what in ((b"", "not_fits"), (b"SIMPLE  = nonsense", "not_fits"), (None, "no_file")):
        if content is None:
            (tmp_path / "s.fits").unlink()
        else:
            (tmp_path / "s.fits").write_bytes(content)
        recipe.write_text("target: x\nstacks: {all: {file: s.fits}}\n", encoding="utf-8")
        refused(layerblend("blend", recipe, "--json", "-q"), 3, what, word="s.fits")
    fits.writeto(tmp_path / "s.fits", np.zeros((5, 40, 60), np.float32), overwrite=True)
    refused(layerblend("blend", recipe, "--json", "-q"), 3, "axes", word="s.fits")


def test_an_output_never_takes_the_place_of_an_input(layerblend: Run, demo: Demo, tmp_path: Path) -> None:
    write_fits(tmp_path / "result.fits", np.zeros((40, 60, 3), np.float32) + 0.1)
    before = (tmp_path / "result.fits").read_bytes()
    recipe = tmp_path / "r.yaml"
    recipe.write_text("target: x\nstacks: {all: {file: result.fits}}\noutput: {folder: .}\n", encoding="utf-8")
    refused(layerblend("blend", recipe, "--json"), 2, "overwrites_input", word="result.fits")
    assert (tmp_path / "result.fits").read_bytes() == before
    frame = demo.frames[0]
    refused(layerblend("grade", demo.recipe, "--csv", frame, "--json", "-q"), 2, "overwrites_input", word=frame.name)
    refused(layerblend("grade", demo.recipe, "--csv", tmp_path, "--json", "-q"), 2, "overwrite", word="is a folder")


def test_two_recipes_of_one_target_do_not_share_a_folder(layerblend: Run, demo: Demo, tmp_path: Path) -> None:
    text = f"target: x\nframes: {{folder: '{demo.folder / 'frames'}'}}\n"
    for name in ("red", "green"):
        (tmp_path / f"{name}.yaml").write_text(text, encoding="utf-8")
    assert layerblend("grade", tmp_path / "red.yaml", "-q").code == 0
    refused(layerblend("grade", tmp_path / "green.yaml", "--json", "-q"), 2, "other_recipe", word="red.yaml")
    assert layerblend("grade", tmp_path / "green.yaml", "--out", tmp_path / "own", "-q").code == 0
    (tmp_path / "red.yaml").rename(tmp_path / "blue.yaml")
    assert layerblend("grade", tmp_path / "blue.yaml", "-q").code == 0


# ---------------------------------------------------------------- stopped
def test_an_output_folder_that_cannot_be_written(layerblend: Run, demo: Demo, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    refused(layerblend("blend", demo.recipe, "--out", tmp_path / "file", "--json", "-q"), 4, "cannot_write", word="--out")
    refused(layerblend("blend", demo.recipe, "--out", tmp_path / "file" / "x", "--json", "-q"), 4, "cannot_write")


def test_a_read_only_folder(layerblend: Run, demo: Demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(**_: Any) -> Any:
        raise PermissionError(errno.EACCES, "Permission denied", str(tmp_path))

    monkeypatch.setattr("layerblend.outputs.tempfile.TemporaryFile", refuse)
    refused(layerblend("blend", demo.recipe, "--out", tmp_path, "--json", "-q"), 4, "cannot_write", word="Permission denied")


@pytest.mark.skipif(os.name == "nt", reason="needs a limit on file size")
def test_a_full_disk_leaves_no_stub_and_the_earlier_result(demo: Demo, tmp_path: Path) -> None:
    """A limit on file size acts like a full disk: the write itself fails."""
    out = tmp_path / "out"
    out.mkdir()
    (out / "result.tif").write_bytes(b"earlier")
    (out / "provenance.json").write_text('{"written": {}}')

    import resource

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))

    done = command("blend", demo.recipe, "--out", out, "--json", "-q", "--workers", "1", preexec_fn=limit)
    answer = json.loads(done.stdout)
    assert done.returncode == 4 and answer["error"]["code"] in {"disk", "disk_full"}, answer
    assert "result.tif" in answer["error"]["text"]
    assert (out / "result.tif").read_bytes() == b"earlier"
    assert {path.name for path in out.rglob("*") if path.is_file()} == {"result.tif", "provenance.json"}


def test_files_that_no_run_has_written_are_not_replaced(layerblend: Run, demo: Demo, tmp_path: Path) -> None:
    (tmp_path / "layers").mkdir()
    mine = tmp_path / "layers" / "starless.tif"
    mine.write_bytes(b"another program's")
    refused(layerblend("blend", demo.recipe, "--out", tmp_path, "--json", "-q"), 2, "overwrite", word="starless.tif")
    assert mine.read_bytes() == b"another program's"
    assert [path.name for path in tmp_path.rglob("*") if path.is_file()] == ["starless.tif"]


@pytest.mark.parametrize(
    "trouble, code, what",
    [
        (OSError(errno.ENOSPC, "No space left on device", "/x"), 4, "disk"),
        (FileNotFoundError(errno.ENOENT, "No such file or directory", "/media/disk/L_1.fits"), 4, "disk"),
        (MemoryError(), 4, "memory"),
        (KeyboardInterrupt(), 4, "interrupted"),
        (StoppedError("full", code="disk_full"), 4, "disk_full"),
    ],
)
def test_what_stops_a_run(
    layerblend: Run, demo: Demo, monkeypatch: pytest.MonkeyPatch, trouble: BaseException, code: int, what: str
) -> None:
    def fail(*_: Any, **__: Any) -> Any:
        raise trouble

    monkeypatch.setattr(api, "blend_recipe", fail)
    refused(layerblend("blend", demo.recipe, "--json"), code, what)


def windows_error(number: int, errno_: int, path: str | None = None) -> OSError:
    """What Windows says: it has more ways to refuse than C has numbers."""
    error = OSError(errno_, "The device is not ready", path)
    error.winerror = number  # type: ignore[attr-defined]
    return error


@pytest.mark.parametrize(
    "trouble", [windows_error(21, errno.EINVAL, r"E:\L_1.fits"), windows_error(64, errno.EINVAL), OSError(errno.EINVAL, "Invalid argument")]
)
def test_a_disk_pulled_out_of_windows_is_no_bug(layerblend: Run, demo: Demo, monkeypatch: pytest.MonkeyPatch, trouble: OSError) -> None:
    def fail(*_: Any, **__: Any) -> Any:
        raise trouble

    monkeypatch.setattr(api, "blend_recipe", fail)
    monkeypatch.setattr(cli, "ON_WINDOWS", True)
    refused(layerblend("blend", demo.recipe, "--json"), 4, "disk", word="The disk refused")


@pytest.mark.parametrize("words", [("check", "RECIPE", "--json"), ("check", "RECIPE"), ("--help",)])
def test_a_pipe_that_windows_closed_is_no_trouble(demo: Demo, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]) -> None:
    """There it is "invalid argument"."""

    class Closed(io.StringIO):
        def write(self, text: str) -> int:
            raise OSError(errno.EINVAL, "Invalid argument")

    dropped: list[bool] = []
    monkeypatch.setattr(cli, "ON_WINDOWS", True)
    monkeypatch.setattr(cli, "_print_no_more", lambda: dropped.append(True))
    monkeypatch.setattr(sys, "stdout", Closed())
    with pytest.raises(SystemExit) as left:
        cli.main([str(demo.recipe) if word == "RECIPE" else word for word in words])
    assert not left.value.code and dropped


def test_a_bug_names_its_log(layerblend: Run, demo: Demo, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr(api, "stack", lambda *_, **__: 1 / 0)
    error = refused(layerblend("stack", demo.recipe, "--json"), 1, "bug", word="ZeroDivisionError")
    log = Path(error["file"])
    assert log.parent == tmp_path and str(log) in error["text"]
    text = log.read_text(encoding="utf-8")
    assert "Traceback" in text and "Python" in text


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize(("words", "code"), [((), 4), (("--json",), 4), (("nowhere.yaml", "--json"), 2)])
def test_an_answer_that_cannot_be_printed_is_no_bug(demo: Demo, words: tuple[str, ...], code: int) -> None:
    recipe = () if "nowhere.yaml" in words else (demo.recipe,)
    with open("/dev/full", "w") as full:
        done = subprocess.run([*COMMAND, "check", *recipe, *words], stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == code and done.stderr.count("\n") == 1 and "Traceback" not in done.stderr
    assert ("cannot be printed" in done.stderr) == (code == 4)


@pytest.mark.skipif(os.name != "posix", reason="needs pipes of POSIX systems")
@pytest.mark.parametrize("words", [("schema",), ("check", "RECIPE"), ("check", "RECIPE", "--json")])
def test_a_reader_that_has_seen_enough_is_no_trouble(demo: Demo, words: tuple[str, ...]) -> None:
    """`layerblend check RECIPE | head -1`: the work is done, and nothing is said of the pipe."""
    reader, writer = os.pipe()
    os.close(reader)
    call = [str(demo.recipe) if word == "RECIPE" else word for word in words]
    try:
        done = subprocess.run([*COMMAND, *call], stdout=writer, stderr=subprocess.PIPE, text=True, check=False)
    finally:
        os.close(writer)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(os.name != "posix", reason="needs a shell")
def test_streams_that_are_closed_do_not_matter(demo: Demo) -> None:
    call = " ".join(map(shlex.quote, [*COMMAND, "check", str(demo.recipe)]))
    assert subprocess.run(f"{call} >&- 2>&-", shell=True, check=False).returncode == 0


# ---------------------------------------------------------------- interrupted and killed
SLOW = """
import signal, sys, time
signal.signal(signal.SIGINT, signal.default_int_handler)  # a test run in the background hands down "ignored"
import layerblend.stacking.workers as workers
combine = workers.step.combine_rows
def slowly(*a, **k):
    time.sleep(.15)
    return combine(*a, **k)
workers.step.combine_rows = slowly
from layerblend.cli import main
main()
"""


@pytest.fixture
def unstacked(demo: Demo, tmp_path: Path) -> Path:
    """A recipe of the demo's frames with a store of its own; grading is done, stacking is not."""
    recipe = tmp_path / "own" / "r.yaml"
    shutil.copytree(demo.folder / "frames", recipe.parent / "frames")
    recipe.write_text("target: x\nframes: {folder: frames}\noutput: {folder: out}\n", encoding="utf-8")
    return recipe


def start(recipe: Path) -> subprocess.Popen[str]:
    call = [sys.executable, "-c", SLOW, "stack", str(recipe), "--json", "-q", "--workers", "1"]
    return subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8")


def wait_for_bands(recipe: Path, running: subprocess.Popen[str], bands: int) -> Path:
    """Wait until so many bands are noted; the journal."""
    for _ in range(1200):
        for journal in recipe.parent.glob(".layerblend/values/*/*/work/.stacking/journal"):
            if len(journal.read_text(encoding="utf-8").splitlines()) > bands:
                return journal
        assert running.poll() is None, running.communicate()
        time.sleep(0.05)
    raise AssertionError("no band was finished")


def stack_bytes(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted((folder / "stacks").glob("*.fits"))}


def count_bands(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    from layerblend.stacking import build

    counted: list[int] = []
    work = build.stack_band
    monkeypatch.setattr(build, "stack_band", lambda job, number, *rest: (counted.append(number), work(job, number, *rest))[1])
    return counted


def test_killed_while_stacking_and_resumed(layerblend: Run, demo: Demo, unstacked: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    running = start(unstacked)
    journal = wait_for_bands(unstacked, running, 2)
    running.kill()
    running.communicate()
    finished = len(journal.read_text(encoding="utf-8").splitlines()) - 1
    assert 2 <= finished < 10 and not (unstacked.parent / "out" / "stacks").exists()
    assert (unstacked.parent / "out" / RECORD).exists()  # the next run finds its own folder
    counted = count_bands(monkeypatch)
    assert layerblend("stack", unstacked, "-q").code == 0
    assert stack_bytes(unstacked.parent / "out") == stack_bytes(demo.out)
    assert len(counted) <= 10 - finished + 1  # one band may have been written and not yet noted


@pytest.mark.skipif(os.name != "posix", reason="needs signals of POSIX systems")
@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
def test_interrupted_ends_soon_and_resumes(layerblend: Run, demo: Demo, unstacked: Path, sent: signal.Signals) -> None:
    running = start(unstacked)
    wait_for_bands(unstacked, running, 1)
    pressed = time.monotonic()
    running.send_signal(sent)
    out, err = running.communicate(timeout=30)
    assert time.monotonic() - pressed < 5
    error = refused(Spoken(running.returncode, out, err), 4, "interrupted")
    assert "run the same command" in error["text"]
    assert not list(unstacked.parent.glob("out/**/*.fits")) and not list(unstacked.parent.rglob("*.part"))
    assert layerblend("stack", unstacked, "-q").code == 0
    assert stack_bytes(unstacked.parent / "out") == stack_bytes(demo.out)


@pytest.mark.skipif(os.name != "posix", reason="needs signals of POSIX systems")
def test_an_interrupt_after_the_work_spoils_nothing() -> None:
    """Ctrl-C while the answer is printed and again while the process ends: everything is done, so the answer is whole and the exit 0."""
    script = """
import atexit, os, signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)  # a test run in the background hands down "ignored"
from layerblend import cli
answer = cli._print_json
cli._print_json = lambda *words: (os.kill(os.getpid(), signal.SIGINT), answer(*words))
atexit.register(lambda: os.kill(os.getpid(), signal.SIGINT))
sys.argv = ["layerblend", "schema", "--json"]
cli.main()
"""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, encoding="utf-8", check=False)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["status"] == "done"
    assert not done.stderr


def test_the_module_and_the_entry_point_are_one(demo: Demo) -> None:
    done = command("check", demo.recipe, "--json", cwd=demo.folder.parent, env={**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0"})
    assert done.returncode == 0 and json.loads(done.stdout)["data"]["target"] == "Lantern Spiral"
    assert cli.main.__doc__


def test_the_version_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(["--version"])
    assert ended.value.code == 0 and capsys.readouterr().out == f"layerblend {__version__}\n"
