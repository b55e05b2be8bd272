"""How long one move of the what-if panel takes: pytest tests/bench --benchmark-enable --benchmark-only -s.

A fifth of a second is what still follows a slider; nothing here fails on a slow machine.
"""

import itertools

import pytest

from filmdose.plotting.panel import WhatIfView
from filmdose.whatif import what_if


@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative"])
def test_time_of_one_move(benchmark, kind):
    view = WhatIfView()
    moves = itertools.cycle([(speed, count) for speed in (200.0, 800.0) for count in (0, 1, 3)])
    seen = set()

    def move():
        speed, count = next(moves)
        picture = view.png(what_if(speed=speed, kind=kind, counts={"cabin-ct": count}))
        seen.add(picture)
        return picture

    assert benchmark(move).startswith(b"\x89PNG")
    assert seen
