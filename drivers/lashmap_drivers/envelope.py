"""The lower envelope of arrivals: the straight line under all points that comes closest to them.

Points are (sample number, arrival). Of the lines that have no point below them, the one with the least sum of
distances runs along the edge of the lower convex hull that spans the mean number (the method of S. B. Moon,
P. Skelly, D. Towsley, "Estimation and removal of clock skew from network delay measurements", INFOCOM 1999;
*(memory)*, and checked in the tests against a linear programme). Memory is bounded: neighbouring reads share
a point, the one lowest against the line so far.
"""

from __future__ import annotations

import math
from itertools import pairwise

_MOST_POINTS = 64
_WINDOW_S = 8.0  # long enough to see the pace to some parts in 100,000, short enough to follow a drift


class Envelope:
    """The arrivals of the last seconds, thinned out.

    Attributes:
        scatter_s: Median distance of the points from the last line, in seconds.
        spread_s: Root mean square of the same distances.
        reads_a_point: How many reads share a point.
        in_hand: Reads taken since the newest point.
        best: The lowest of them, which will be the next point; None when there are none.
        slope: Of the last line.
    """

    def __init__(self) -> None:
        self._points: list[tuple[int, float]] = []
        self.reads_a_point = 1
        self.in_hand = 0
        self.best: tuple[int, float] | None = None
        self.slope = 0.0
        self.scatter_s = 0.0
        self.spread_s = 0.0

    def __len__(self) -> int:
        """Number of points kept."""
        return len(self._points)

    @property
    def span_s(self) -> float:
        """From the first to the last point kept."""
        return self._points[-1][1] - self._points[0][1] if self._points else 0.0

    def add(self, number: int, arrival_s: float) -> bool:
        """Take a read; true when it completed a point, so that the line may have changed."""
        if self.best is None or self._height(number, arrival_s) < self._height(*self.best):
            self.best = (number, arrival_s)
        self.in_hand += 1
        if self.in_hand < self.reads_a_point:
            return False
        self._points.append(self.best)
        self.best, self.in_hand = None, 0
        if len(self._points) > _MOST_POINTS:
            self._thin_out()
        return True

    def line(self, slope: float | None = None) -> tuple[float, float] | None:
        """Offset and slope of the line under all points; None while two points are wanting.

        Args:
            slope: Where it is known better than from these points; otherwise fitted.
        """
        if slope is None:
            slope = self._fitted_slope()
        if slope is None:
            return None
        self.slope = slope
        above = [
            arrival_s - slope * number for number, arrival_s in self._points
        ]  # as `_height`, but quicker
        offset = min(above)
        heights = sorted([height - offset for height in above])
        self.scatter_s = heights[len(heights) // 2]
        self.spread_s = math.sqrt(sum([height * height for height in heights]) / len(heights))
        return offset, slope

    def _height(self, number: int, arrival_s: float) -> float:
        return arrival_s - self.slope * number

    def _fitted_slope(self) -> float | None:
        hull = _lower_hull(self._points)
        if len(hull) < 2:
            return None
        mean = sum([number for number, _ in self._points]) / len(self._points)
        for (left, from_s), (right, to_s) in pairwise(hull):
            if right >= mean:
                return max(0.0, (to_s - from_s) / (right - left))
        raise RuntimeError("the mean lies outside of its own points")

    def _thin_out(self) -> None:
        if self.span_s >= _WINDOW_S:
            del self._points[0]
            return
        pairs = zip(self._points[0::2], self._points[1::2], strict=False)
        newest = self._points[-1:] if len(self._points) % 2 else []
        self._points = [min(pair, key=lambda point: self._height(*point)) for pair in pairs] + newest
        self.reads_a_point *= 2


def _lower_hull(points: list[tuple[int, float]]) -> list[tuple[int, float]]:
    """Lower convex hull of points in increasing order of number (Andrew's monotone chain)."""
    hull: list[tuple[int, float]] = []
    for x, y in points:
        while len(hull) >= 2:
            (x0, y0), (x1, y1) = hull[-2], hull[-1]
            if (y1 - y0) * (x - x0) < (y - y0) * (x1 - x0):
                break
            hull.pop()
        hull.append((x, y))
    return hull
