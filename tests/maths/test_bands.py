import cv2
import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from layerblend.maths.bands import by_bands, one_blas_thread, over_bands, over_rows, thread_count, threads_allowed


@pytest.mark.parametrize("threads", [1, 2, 3, 4])
@pytest.mark.parametrize("rows", [1, 5, 64])
def test_every_row_is_done_once(rows: int, threads: int) -> None:
    done = np.zeros(rows, int)

    def work(first: int, last: int) -> None:
        done[first:last] += 1

    with threads_allowed(threads):
        over_bands(work, rows)
    assert (done == 1).all()


def test_a_failing_band_is_heard() -> None:
    def work(first: int, last: int) -> None:
        raise ValueError("band")

    with pytest.raises(ValueError, match="band"), threads_allowed(2):
        over_bands(work, 10)


def test_rows_of_the_first_array_are_covered_once() -> None:
    done = np.zeros((37, 3))

    def kernel(plane: np.ndarray, step: float, first: int, last: int) -> None:
        plane[first:last] += step

    over_rows(kernel, done, 2.0)
    assert (done == 2).all()


@pytest.mark.parametrize("threads", [1, 2, 3, 4])
@pytest.mark.parametrize("rows", [1, 5, 30, 101])
def test_a_filter_in_bands_is_the_filter(rows: int, threads: int) -> None:
    plane = np.random.default_rng(rows).normal(0, 1, (rows, 47)).astype(np.float32)
    for work, reach in ((lambda p: cv2.GaussianBlur(p, (0, 0), 2.3), 11), (lambda p: cv2.medianBlur(p, 5), 2)):
        with threads_allowed(threads):
            np.testing.assert_array_equal(by_bands(work, plane, reach), work(plane))


def test_the_number_of_threads_is_as_asked_and_back_afterwards() -> None:
    usual = thread_count()
    with threads_allowed(1):
        assert thread_count() == 1
        with threads_allowed(3):
            assert thread_count() == 3
        assert thread_count() == 1
    assert thread_count() == usual


def blas_threads() -> set[int]:
    np.linalg.solve(np.eye(2), np.ones(2))
    return {library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas"}


def test_linear_algebra_gets_its_threads_back_from_the_last_of_those_who_asked_for_one() -> None:
    with threadpool_limits(2, "blas"):
        first, second = one_blas_thread(), one_blas_thread()
        with first:
            second.__enter__()
            assert blas_threads() == {1}
        assert blas_threads() == {1}
        second.__exit__(None, None, None)
        assert blas_threads() == {2}
