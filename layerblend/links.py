"""Links to frames whose names sort them by sharpness, for `layerblend grade --links`."""

from __future__ import annotations

import itertools
import os
import re
import shutil
from pathlib import Path

from layerblend.errors import PlaceError
from layerblend.files.whole import refused
from layerblend.kinds import FrameTable


def sorted_links(table: FrameTable, folder: Path) -> list[Path]:
    """Links `03.42px_NAME`, so that a file manager sorts the frames by sharpness; those of an earlier run make way."""
    folder.mkdir(parents=True, exist_ok=True)
    links: dict[Path, Path] = {}
    for row in table.used:
        width, name = f"{row.fwhm_major:05.2f}px", row.file.replace(":/", "_").replace("/", "_")
        names = itertools.chain([f"{width}_{name}"], (f"{width}_{number}_{name}" for number in itertools.count(2)))
        links[next(link for link in map(folder.joinpath, names) if link not in links)] = row.path.resolve()
    old = [entry for entry in folder.iterdir() if _is_link_of_ours(entry, table)]
    for link in links:
        if link not in old and os.path.lexists(link):
            raise PlaceError(f"{link} is there already and is no link of this frame; choose another folder with --links.", file=link)
    for entry in old:
        try:
            entry.unlink()
        except OSError as error:
            raise refused(error, entry, entry) from error
    for link, frame in links.items():
        _link(frame, link)
    return list(links)


def _is_link_of_ours(entry: Path, table: FrameTable) -> bool:
    """Whether `03.42px_NAME` was put there by an earlier run: a link into the frames' folders, or a copy of a frame, its time included."""
    if not re.match(r"\d{2,}\.\d{2}px_", entry.name):
        return False
    if entry.is_symlink():
        frame = Path(os.path.realpath(entry))  # what Windows says of a link itself is spelt otherwise: \\?\C:\frames\a.fits
        return entry.name.endswith(frame.name) and frame.parent in {row.path.resolve().parent for row in table}
    frames = [row.path for row in table if entry.name.endswith(row.path.name)]
    return entry.is_file() and any(entry.samefile(frame) or _age(entry) == _age(frame) for frame in frames)


def _age(path: Path) -> tuple[int, int]:
    """Size and time to two seconds, which is what every disk keeps."""
    status = path.stat()
    return status.st_size, int(status.st_mtime) // 2


def _link(frame: Path, link: Path) -> None:
    try:
        link.symlink_to(frame)
    except OSError:  # Windows without the right to make links
        try:
            os.link(frame, link)
        except OSError:
            shutil.copy2(frame, link)
