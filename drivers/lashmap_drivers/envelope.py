"""The lower envelope of arrivals: the straight line under all points that comes closest to them.

Points are (sample number, arrival). Of the lines that have no point below them, the one with the least sum of
distances runs along the edge of the lower convex hull that spans the mean number (the method of S. B. Moon,
P. Skelly, D. Towsley, "Estimation and removal of clock skew from network delay measurements", INFOCOM 1999;
*(memory)*, and checked in the tests against a linear programme). Only that edge is looked for, starting at
that of the line before: mostly it still is the edge, and one pass over the points shows it. Memory is
bounded: neighbouring reads share a point, the one lowest against the line so far.
"""

from __future__ import annotations

import math

import numpy as np

from lashmap_drivers.readings import Floats

_MOST_POINTS = 64
_ROOM = 512  # points move to the front of their arrays when these are full
_SOME_POINTS = 3  # fewer are as quickly completed one by one
_WINDOW_S = 8.0  # long enough to see the pace to some parts in 100,000, short enough to follow a drift
# From fit to fit, once the window is full: a second more of eight tells little. Measured, a pace that drifts
# by 1 ppm a second puts times wrong by 10.2 instead of 8.4 µs, a steady one by nothing that could be seen.
_FIT_S = 1.0
_ROUNDING = (
    1e-15  # of an arrival: some units in the last place, by which a point on the line may seem below it
)


class Envelope:
    """The arrivals of the last seconds, thinned out.

    Attributes:
        spread_s: Root mean square distance of the points from the last line, in seconds.
        reads_a_point: How many reads share a point.
        in_hand: Reads taken since the newest point.
        best: The lowest of them, which will be the next point; None when there are none.
        slope: Of the last line.
    """

    def __init__(self) -> None:
        self._numbers, self._arrivals = np.empty(_ROOM), np.empty(_ROOM)
        self._first = self._end = 0  # the points in use
        self._sum = 0.0  # of their numbers
        self._span: tuple[float, float] = (0.0, 0.0)  # first and last arrival
        self._edge: tuple[float, float, float, float] | None = None  # number, arrival; number, arrival
        self._heights: Floats | None = None  # of the points above the last line
        self._points_a_fit = 1
        self._not_fitted = 0  # points since the last fit
        self.reads_a_point = 1
        self.in_hand = 0
        self.best: tuple[int, float] | None = None
        self.slope = 0.0
        self.spread_s = 0.0

    def __len__(self) -> int:
        """Number of points kept."""
        return self._end - self._first

    @property
    def span_s(self) -> float:
        """From the first to the last point kept."""
        return self._span[1] - self._span[0]

    @property
    def scatter_s(self) -> float:
        """Median distance of the points from the last line, in seconds; 0 before there is one."""
        return 0.0 if self._heights is None else float(np.sort(self._heights)[len(self._heights) // 2])

    @property
    def reads_before_fit(self) -> int:
        """So many reads at least can be taken before one makes a new line due."""
        return max(0, (self._points_a_fit - self._not_fitted) * self.reads_a_point - self.in_hand - 1)

    def add(self, number: int, arrival_s: float) -> bool:
        """Take a read; true when a new line is due: it completed a point, and enough of them."""
        best, slope = self.best, self.slope
        if best is None or arrival_s - slope * number < best[1] - slope * best[0]:
            self.best = best = (number, arrival_s)
        self.in_hand += 1
        if self.in_hand < self.reads_a_point:
            return False
        self._complete(*best)
        return self._not_fitted >= self._points_a_fit

    def add_before_fit(self, numbers: Floats, arrivals: Floats) -> None:
        """Take at most `reads_before_fit` reads, as `add` one after another; shapes (n,)."""
        slope, done = self.slope, 0
        heights = arrivals - slope * numbers
        while done < len(numbers):
            if not self.in_hand and len(numbers) - done >= _SOME_POINTS * self.reads_a_point:
                rest = slice(done, None)
                if moved := self._move_on(numbers[rest], arrivals[rest], heights[rest]):
                    done += moved
                    continue
            some = heights[done : done + self.reads_a_point - self.in_hand]
            lowest, best = done + int(some.argmin()), self.best
            if best is None or heights.item(lowest) < best[1] - slope * best[0]:
                self.best = best = (int(numbers.item(lowest)), arrivals.item(lowest))
            done += len(some)
            self.in_hand += len(some)
            if self.in_hand == self.reads_a_point:
                self._complete(*best)

    def line(self, slope: float | None = None) -> tuple[float, float] | None:
        """Offset and slope of the line under all points; None while two points are wanting.

        Args:
            slope: Where it is known better than from these points; otherwise fitted.
        """
        numbers, arrivals = self._points()
        if slope is None:
            if len(numbers) < 2:
                return None
            slope = self._fitted_slope(numbers, arrivals)
        self.slope = slope
        heights = arrivals - slope * numbers
        offset = heights.item(heights.argmin())
        heights -= offset
        self._heights = heights
        self.spread_s = math.sqrt(np.add.reduce(heights * heights).item() / len(heights))
        is_full = len(self) >= _MOST_POINTS and self.span_s >= _WINDOW_S
        self._points_a_fit = max(1, round(_FIT_S * (len(self) - 1) / self.span_s)) if is_full else 1
        self._not_fitted = 0
        return offset, slope

    def _points(self) -> tuple[Floats, Floats]:
        return self._numbers[self._first : self._end], self._arrivals[self._first : self._end]

    def _complete(self, number: int, arrival_s: float) -> None:
        """Keep the lowest read in hand as a point."""
        self._append(number, arrival_s)
        self.best, self.in_hand = None, 0
        self._not_fitted += 1
        if len(self) > _MOST_POINTS:
            self._thin_out()

    def _move_on(self, numbers: Floats, arrivals: Floats, heights: Floats) -> int:
        """Complete all whole points at once, as far as each only moves the window on; reads taken."""
        each = self.reads_a_point
        points = len(numbers) // each
        if not points <= len(self) == _MOST_POINTS:
            return 0
        taken = points * each
        lowest = heights[:taken].reshape(points, each).argmin(axis=1) + np.arange(0, taken, each)
        number, arrival_s = numbers[lowest], arrivals[lowest]
        spans_s = arrival_s - self._arrivals[self._first : self._first + points]
        if spans_s.item(spans_s.argmin()) < _WINDOW_S:
            return 0
        if self._end + points > _ROOM:
            self._replace(*self._points())
        first, end = self._first + points, self._end + points
        self._numbers[self._end : end], self._arrivals[self._end : end] = number, arrival_s
        self._sum += sum(number.tolist()) - sum(self._numbers[self._first : first].tolist())  # whole numbers
        self._first, self._end = first, end
        self._span = (self._arrivals.item(first), arrival_s.item(-1))
        self._not_fitted += points
        return taken

    def _append(self, number: int, arrival_s: float) -> None:
        if self._end == _ROOM:
            self._replace(*self._points())
        self._numbers[self._end] = number
        self._arrivals[self._end] = arrival_s
        self._span = (self._span[0] if len(self) else arrival_s, arrival_s)
        self._sum += number
        self._end += 1

    def _replace(self, numbers: Floats, arrivals: Floats) -> None:
        """Keep these points, at the front."""
        count = len(numbers)
        self._numbers[:count], self._arrivals[:count] = numbers, arrivals
        self._first, self._end = 0, count
        self._sum = float(numbers.sum())

    def _fitted_slope(self, numbers: Floats, arrivals: Floats) -> float:
        """Slope of the hull's edge over the mean number.

        A guess of the edge is two points, one on either side of the mean; the point furthest below their line
        takes the place of the one on its own side, until there is none. Each step lowers the line at the mean
        (or turns it upwards about a point right there), so none comes twice; should rounding bring one back,
        the bound on the rounds ends it, and the line stays below all points whatever its slope.
        """
        mean = self._sum / len(numbers)
        left, left_s, right, right_s = self._guess(mean, numbers, arrivals)
        rounding_s = _ROUNDING * abs(self._span[1])
        slope = 0.0
        for _ in range(len(numbers)):
            slope = (right_s - left_s) / (right - left)
            heights = arrivals - slope * numbers
            lowest = int(heights.argmin())
            number, arrival_s = numbers.item(lowest), arrivals.item(lowest)
            if number in (left, right) or heights.item(lowest) >= left_s - slope * left - rounding_s:
                break
            if number < mean:
                left, left_s = number, arrival_s
            else:
                right, right_s = number, arrival_s
        self._edge = (left, left_s, right, right_s)
        return max(0.0, slope)

    def _guess(self, mean: float, numbers: Floats, arrivals: Floats) -> tuple[float, float, float, float]:
        """The edge of the last line as far as it still spans the mean; otherwise the outermost points."""
        first, last = (numbers.item(0), arrivals.item(0)), (numbers.item(-1), arrivals.item(-1))
        if self._edge is None or self._edge[0] < first[0]:
            return *first, *last
        if self._edge[2] < mean:
            return *self._edge[2:], *last
        return self._edge

    def _thin_out(self) -> None:
        numbers, arrivals = self._points()
        if self.span_s >= _WINDOW_S:
            self._first += 1
            self._sum -= numbers.item(0)
            self._span = (arrivals.item(1), self._span[1])
            return
        heights = arrivals - self.slope * numbers
        pairs = np.arange(0, len(numbers) - 1, 2)
        keep = pairs + (heights[pairs + 1] < heights[pairs])
        if len(numbers) % 2:
            keep = np.append(keep, len(numbers) - 1)
        self._replace(numbers[keep], arrivals[keep])
        self._span = (self._arrivals.item(0), self._span[1])
        self._edge = None  # its points may be gone
        self.reads_a_point *= 2
