import numpy as np
import pytest

from layerblend.stacking.journal import Band, WorkFolder


def band(number):
    return Band(number, (number, 7), np.arange(6, dtype=np.int32).reshape(2, 3) * number)


@pytest.fixture
def work(tmp_path):
    folder = WorkFolder(tmp_path / "work")
    assert not folder.enter("key")
    folder.begin("key")
    return folder


def test_noted_bands_come_back(work):
    for number in (3, 0):
        work.note(band(number))
    found = list(work.noted((2, 3)))
    assert [b.number for b in found] == [3, 0]
    assert found[0].checks == (3, 7)
    assert np.array_equal(found[0].lost, band(3).lost)


def test_a_line_cut_off_by_a_crash_is_passed_over(work):
    work.note(band(1))
    work.note(band(2))
    text = work.journal.read_text()
    work.journal.write_text(text[:-30])
    assert [b.number for b in work.noted((2, 3))] == [1]


def test_the_same_pass_goes_on_and_another_starts_anew(work):
    (work.path / "all.fits").write_bytes(b"half done")
    work.stop()
    assert work.mark.exists()
    assert work.enter("key")
    assert not work.mark.exists()
    assert (work.path / "all.fits").exists()
    assert not work.enter("other key")
    assert not (work.path / "all.fits").exists()
    work.clear()
    assert not work.path.exists()
    work.stop()
    assert not work.path.exists()


def test_an_old_work_folder_that_cannot_be_deleted_is_written_over(tmp_path, monkeypatch):
    work = WorkFolder(tmp_path / ".stacking")
    work.enter("one")
    work.begin("one")
    monkeypatch.setattr("layerblend.stacking.journal.shutil.rmtree", lambda *words, **more: None)
    assert not work.enter("two")
    work.begin("two")
    assert work.enter("two")
