"""A dark line that goes on over the mat is no crack."""

import numpy as np
import pytest

from inspector.comparing.overlying import goes_on_beyond
from tests.drawn_lines import as_photo, concrete, with_line

PX_PER_MM = 6.0
HEIGHT, WIDTH = 300, 420
# The piece is what lies left of this column.
RIM = 240
OUTSIDE_MM = np.tile(np.maximum(np.arange(WIDTH) - RIM, 0) / PX_PER_MM, (HEIGHT, 1)).astype(np.float32)


def scene(*, mat=0.75, seed=0):
    """Grey concrete beside a brighter mat, with the shadow of the edge between them."""
    reflectance = concrete((HEIGHT, WIDTH), seed=seed)
    column = np.arange(WIDTH)
    reflectance[:, column > RIM] = mat
    reflectance *= 1 - 0.5 * np.exp(-(((column - RIM - 3) / 3.0) ** 2))
    return reflectance


def line_to(column, *, slope=0.3, bend=0.0):
    x = np.linspace(60.0, column, 200)
    return np.column_stack([x, 120 + slope * (x - 60) + bend * (x - 60) ** 2])


def seen(reflectance, *, seed=0):
    return as_photo(reflectance, blur_px=0.9, seed=seed)


@pytest.mark.parametrize(("slope", "bend"), [(0.0, 0.0), (0.4, 0.0), (-0.3, 0.0), (0.1, 0.0008)])
@pytest.mark.parametrize("seed", [0, 1])
def test_a_thread_over_the_rim_is_told_from_a_crack(slope, bend, seed):
    on_piece = line_to(RIM - 4, slope=slope, bend=bend)
    thread = seen(with_line(scene(seed=seed), line_to(WIDTH - 40, slope=slope, bend=bend), 0.8), seed=seed)
    crack = seen(with_line(scene(seed=seed), on_piece, 0.8), seed=seed)
    assert goes_on_beyond(thread, on_piece, OUTSIDE_MM, px_per_mm=PX_PER_MM)
    assert not goes_on_beyond(crack, on_piece, OUTSIDE_MM, px_per_mm=PX_PER_MM)


def test_it_does_not_matter_where_the_line_begins_nor_on_which_raster_the_outline_is_given():
    thread = seen(with_line(scene(), line_to(WIDTH - 40), 0.8))
    on_piece = line_to(RIM - 4)
    coarse = np.ascontiguousarray(OUTSIDE_MM[::2, ::2])
    assert goes_on_beyond(thread, on_piece[::-1], OUTSIDE_MM, px_per_mm=PX_PER_MM)
    assert goes_on_beyond(thread, on_piece, coarse, px_per_mm=PX_PER_MM)


def test_a_line_that_ends_on_the_piece_is_none_that_goes_on():
    short = line_to(RIM - 40)
    thread = seen(with_line(with_line(scene(), short, 0.8), line_to(WIDTH - 40)[150:], 0.8))
    assert not goes_on_beyond(thread, short, OUTSIDE_MM, px_per_mm=PX_PER_MM)


def test_the_grain_of_a_bench_is_not_a_thread():
    # A crack that ends where one of the dark lines of a wooden bench begins: there are others beside it.
    reflectance = scene(mat=0.45)
    x = np.linspace(RIM + 1.0, WIDTH - 1.0, 100)
    for row in range(20, HEIGHT, 18):
        reflectance = with_line(reflectance, np.column_stack([x, row + 2 * np.sin(x / 25 + row)]), 1.2)
    crack = line_to(RIM - 2, slope=0.0)
    assert not goes_on_beyond(seen(with_line(reflectance, crack, 0.8)), crack, OUTSIDE_MM, px_per_mm=PX_PER_MM)


def test_specks_of_a_print_are_not_a_thread():
    rng = np.random.default_rng(3)
    reflectance = scene()
    mat = np.arange(WIDTH) > RIM
    specks = rng.random((HEIGHT // 4, WIDTH // 4)) < 0.25
    reflectance[np.kron(specks, np.ones((4, 4), bool)) & mat] = 0.1
    crack = line_to(RIM - 2)
    assert not goes_on_beyond(seen(with_line(reflectance, crack, 0.8)), crack, OUTSIDE_MM, px_per_mm=PX_PER_MM)


def test_at_the_edge_of_the_photo_nothing_is_known():
    narrow = seen(with_line(scene(), line_to(RIM + 10), 0.8))[:, : RIM + 12]
    outside = np.ascontiguousarray(OUTSIDE_MM[:, : RIM + 12])
    assert not goes_on_beyond(narrow, line_to(RIM - 4), outside, px_per_mm=PX_PER_MM)
