import cv2
import numpy as np

from layerblend.maths.clipped import clipped_cores, clipped_pixels, clipped_round, common_top, flat_tops


def star(peak: float, size: int = 41, fwhm: float = 4.0) -> np.ndarray:
    yy, xx = np.mgrid[:size, :size] - size // 2
    return peak * (1 + (xx**2 + yy**2) / (fwhm / 2) ** 2 * (2 ** (1 / 3) - 1)) ** -3.0


def test_a_given_map_decides() -> None:
    share = np.zeros((5, 6), np.float32)
    share[2, 3], share[1, 1] = 0.3, np.nan
    image = np.ones((5, 6), np.float32)
    assert np.argwhere(clipped_pixels(image, share)).tolist() == [[2, 3]]
    assert not clipped_pixels(image, share, least_share=0.5).any()
    mask = share > 0
    assert clipped_pixels(image, mask) is not mask
    assert (clipped_pixels(image, mask) == mask).all()


def test_a_plateau_is_found_in_any_channel() -> None:
    image = np.stack([star(3.0), star(0.5), star(0.5)], -1).astype(np.float32)
    assert not clipped_pixels(image).any()
    clipped = clipped_pixels(np.minimum(image, 1.0))
    assert (clipped == (np.minimum(image, 1.0)[..., 0] >= 0.9)).all()


def _frame(cut: float) -> np.ndarray:
    """Stars of several brightnesses and a wide core, on sky, cut off after which they were moved by a third of a pixel."""
    image = np.full((160, 200), 0.05)
    for x, y, peak in ((30, 30, 0.3), (80, 40, 1.4), (150, 30, 2.0), (40, 110, 1.2), (100, 120, 3.5)):
        image[y - 20 : y + 21, x - 20 : x + 21] += star(peak)
    image[90:131, 140:181] += star(0.8, fwhm=18)
    return cv2.warpAffine(np.minimum(image, cut), np.float64([[1, 0, 0.3], [0, 1, 0.4]]), (200, 160), flags=cv2.INTER_CUBIC)


def test_stars_tell_the_level_at_which_a_frame_was_cut_off() -> None:
    assert abs(common_top(flat_tops(_frame(0.6).astype(np.float32))) / 0.6 - 1) < 0.03
    colour = np.stack([_frame(0.8), _frame(9.0), _frame(9.0)], -1).astype(np.float32)
    assert abs(common_top(flat_tops(colour)) / 0.8 - 1) < 0.03
    assert flat_tops(_frame(9.0).astype(np.float32)) == []
    assert common_top([0.5, 0.505, 0.7, 0.71, 0.72, 0.9, 0.91, 0.92]) == 0.71
    assert common_top([0.5, 0.51]) is None and common_top([]) is None
    assert flat_tops(np.full((9, 9), np.nan, np.float32)) == []


def test_constant_and_empty_pictures_have_no_plateau() -> None:
    assert not clipped_pixels(np.ones((8, 8), np.float32)).any()
    assert not clipped_pixels(np.full((8, 8), np.nan, np.float32)).any()
    assert not clipped_pixels(np.zeros((8, 8), np.float32)).any()


def test_cores_of_a_mean_of_clipped_frames_are_found_and_a_galaxys_core_is_not() -> None:
    """Frames of different sky and transparency clip at one level; their mean, matched, is no plateau any more."""
    rng = np.random.default_rng(3)
    star_part = np.mean([np.minimum(star(4.0) + 0.02 * k, 1.0) * (1 + 0.04 * rng.normal()) - 0.02 * k for k in range(9)], axis=0)
    yy, xx = np.mgrid[:121, :121] - 60
    galaxy = 0.97 * np.exp(-np.hypot(xx, yy) / 25)
    picture = np.zeros((140, 200))
    picture[10:51, 10:51] += star_part
    picture[10:131, 70:191] += galaxy
    cores = clipped_cores(picture.astype(np.float32))
    assert cores is not None
    assert cores[30, 30] == 1 and cores[:, 60:].max() == 0
    assert 5 < cores.sum() < 60
    assert clipped_cores((0.8 * picture).astype(np.float32)) is None
    assert clipped_cores(np.full((8, 8, 3), np.nan, np.float32)) is None


def test_stars_that_are_all_cut_off_below_white_tell_where() -> None:
    """As of calibrated frames saved with 16 bits, moved by a third of a pixel; uncut ones stay what they are."""
    stack, uncut = _frame(0.7), _frame(9.0)
    cores = clipped_cores(stack.astype(np.float32))
    assert cores is not None
    for x, y, clipped in ((30, 30, False), (80, 40, True), (150, 30, True), (40, 110, True), (100, 120, True)):
        assert bool(cores[y - 10 : y + 11, x - 10 : x + 11].any()) == clipped
    assert clipped_cores((uncut / 5).astype(np.float32)) is None
    stack[4:7, 4:7] = 1.2  # something brighter was not cut off there: the flat tops are something else
    low = clipped_cores((0.7 * stack).astype(np.float32))
    assert low is None


def test_the_core_of_a_narrow_star_is_found_though_few_pixels_come_near_to_white() -> None:
    picture = np.zeros((60, 60))
    frames = [np.minimum(star(peak, fwhm=2.8), 1.0) for peak in (0.9, 1.1, 1.3)]  # some frames clip, the mean keeps below white
    picture[10:51, 10:51] += np.mean(frames, axis=0)
    core = picture[29:32, 29:32]
    assert 0.9 < core.max() < 1 and (picture >= 0.9).sum() < 5
    picture[30, 31] = 0.93  # between two pixels
    cores = clipped_cores(picture.astype(np.float32))
    assert cores is not None and cores[30, 30] == 1 and cores.sum() == 2
    picture[30, 31] = 0.5
    assert clipped_cores(picture.astype(np.float32)) is None  # one pixel alone may be anything


def test_only_the_clipped_parts_at_the_places_are_meant() -> None:
    clipped = np.zeros((20, 30), bool)
    clipped[3:6, 4:8] = clipped[12:15, 20:24] = clipped[0, 29] = True
    assert (clipped_round(clipped, np.array([5.4]), np.array([4.0])) == (clipped & (np.arange(30) < 15))).all()
    assert np.argwhere(clipped_round(clipped, np.array([40.0]), np.array([-3.0]))).tolist() == [[0, 29]]
    assert not clipped_round(clipped, np.array([14.0]), np.array([9.0])).any()
