"""Times for the samples of a streaming instrument, from the arrival of the reads that brought them.

An instrument of steady rate takes its samples on an even grid, but the bytes arrive late by what the cable,
an adapter's latency timer and the scheduler hold them up: never early. So the grid is the straight line under
all arrivals of the last seconds that comes closest to them (the lower envelope), and each sample is stamped
where its number meets that line. Decided here are the pace, the grid, and when the grid has to be begun anew,
because samples are missing. A delay that never changes is in every arrival alike and cannot be seen here.

Everything follows from the arrivals and counts alone, so the same reads give the same times, however many of
them are stamped at once. `ArrivalClock` is for instruments that do not stream.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from lashmap_drivers.readings import Floats, Integers

HOLD_UP_S = 0.016  # latency timer that USB serial adapters come with (common practice, no source)
_PAUSE_S = 0.050  # later than this and than usual hold-ups explain: samples are missing
_STRETCH_S = 0.25  # how long all reads must come late before the grid is moved
_STRETCH_READS = 8
_SETTLED_POINTS = 8
_SLOPE_POINTS = 16  # after a pause the old pace is better than one from fewer reads than these …
_SLOPE_S = 1.0  # … or a shorter time
_MEMORY = 0.02  # weight of the newest read in the usual hold-up
_FEWEST_READS = 6  # fewer are as quickly taken one by one
_LATEST_S = 1e7  # times are rounded to 2 ns there
_NONE = np.empty(0)
_BACK = np.arange(1023.0, -1.0, -1.0)  # samples before the last of a read


class Stamps(NamedTuple):
    """Times of the samples of some reads.

    Attributes:
        time_s: Shape (n,), increasing.
        uncertainty_s: Shape (n,), standard uncertainty of each as it stood at its read; nan when unknown.
        period_s: Shape (reads with samples,), from sample to sample as estimated at that read; nan when it is
            not known.
    """

    time_s: Floats
    uncertainty_s: Floats
    period_s: Floats


class ArrivalClock:
    """The clock of an instrument that is asked or sends on its button: a sample is as old as its read.

    Args:
        period_s: From request to request; None when it is not asked.
    """

    def __init__(self, period_s: float | None) -> None:
        self._period_s = math.nan if period_s is None else period_s
        self._last_s = -math.inf

    def restart(self) -> None:
        """A break changes nothing: no pace is kept."""

    def stamp(self, arrivals_s: Floats, counts: Integers, missed: Integers) -> Stamps:  # noqa: ARG002
        """As `StreamClock.stamp`; samples of a read share its arrival but for nanoseconds that keep order."""
        times: list[float] = []
        for arrival_s, count in zip(arrivals_s.tolist(), counts.tolist(), strict=True):
            start_s = max(arrival_s, self._last_s + 1e-9)
            times += [start_s + 1e-9 * number for number in range(count)]
            self._last_s = times[-1] if count else self._last_s
        periods = np.full(np.count_nonzero(counts), self._period_s)
        return Stamps(np.array(times), np.full(len(times), math.nan), periods)


class StreamClock:
    """Stamps the samples of one instrument; times never run backwards, nor ahead of their arrival."""

    def __init__(self) -> None:
        self._last_s: float | None = None  # time of the newest sample
        self._period_s: float | None = None
        self._stated_s = math.inf
        self._pace_is_known = False  # from a second or more of reads
        self._hold_up_s = 0.0  # usual time by which a read comes later than the grid
        self._longest_s = 0.0  # longest wait for a read so far, while the grid is young
        self._lowest: tuple[float, int, float] | None = None
        self._previous_s = 0.0  # arrival of the read before
        self._stretch_from_s = 0.0
        self._stretch_reads = 0
        self._begin(0.0)
        self._fresh = True

    @property
    def period_s(self) -> float | None:
        """Time from sample to sample as estimated; None before the second read."""
        return self._period_s

    @property
    def uncertainty_s(self) -> float:
        """Standard uncertainty of the newest times, in seconds; infinite before the first two reads.

        Two parts, added in quadrature (GUM 5.1.2): how far the low arrivals lie above the grid (root mean
        square); and the hold-up, up to one period or an adapter's latency timer, that can hide in the
        arrivals because it was not seen to vary. It is anything from nothing to that width w, and the times
        are left as if it were nothing, since moving them by w/2 would spoil those of all other instruments:
        so its root mean square counts, w/√3 (the variance w²/12 of GUM 4.3.7 and the square of the mean w/2
        that is not corrected). A fixed delay of cable and adapter beyond that is not included: nothing in
        the stream shows it.
        """
        return self._stated_s

    def restart(self) -> None:
        """Bytes are missing from here on: keep the pace, begin the grid anew at the next read."""
        self._fresh = True

    def stamp(self, arrivals_s: Floats, counts: Integers, missed: Integers) -> Stamps:
        """Times of the samples that some reads delivered.

        Args:
            arrivals_s: Shape (reads,), monotonic times at which they returned, none before the last one.
            counts: Shape (reads,), samples of each.
            missed: Shape (reads,), samples that each brought as well but that could not be used; they take
                their place on the grid before the good ones.

        Returns:
            No time after the arrival of its read but for nanoseconds that keep order.
        """
        takes, rest = counts, 0  # places on the grid; and places after the last sample of all
        if np.count_nonzero(missed):
            with_samples = np.flatnonzero(counts)
            places = np.cumsum(counts + missed)
            rest = int(places[-1]) - (int(places[with_samples[-1]]) if len(with_samples) else 0)
            takes = np.zeros_like(counts)
            takes[with_samples] = np.diff(places[with_samples], prepend=0)
        if np.count_nonzero(counts) < len(counts):
            arrivals_s, takes, counts = arrivals_s[counts > 0], takes[counts > 0], counts[counts > 0]
        stamps = self._stamped(arrivals_s, counts, takes)
        if not self._fresh:
            self._number += rest
        return stamps

    def _stamped(self, arrivals_s: Floats, counts: Integers, takes: Integers) -> Stamps:
        """Times of reads each of which brought samples, and with ``takes`` - ``counts`` bad ones before."""
        times: list[Floats] = []
        stated: list[float] = []
        periods: list[float] = []
        while (at := len(periods)) < len(counts):
            reads = 1
            if len(counts) - at >= _FEWEST_READS and len(
                grid_s := self._take_uneventful(arrivals_s[at:], counts.item(at), takes[at:])
            ):
                reads = len(grid_s)
                own = counts[at : at + reads]
                back = own.cumsum().repeat(own)
                back -= np.arange(1, len(back) + 1)
                times.append(grid_s.repeat(own) - self._known_period_s * back)
            else:
                times.append(self._take_one(arrivals_s.item(at), counts.item(at), takes.item(at)))
            stated.append(self._stated_s)
            periods += [self._known_period_s] * reads
        if not times:
            return Stamps(_NONE, _NONE, _NONE)
        if len(times) == 1:
            return Stamps(times[0], np.full(len(times[0]), stated[0]), np.array(periods))
        sizes = [len(some) for some in times]
        return Stamps(np.concatenate(times), np.array(stated).repeat(sizes), np.array(periods))

    def _take_one(self, arrival_s: float, count: int, takes: int) -> Floats:
        """Take a read into the grid; the times of its samples."""
        grid_s, period_s = self._take(arrival_s, count, takes)
        back = _BACK[-count:] if count <= len(_BACK) else np.arange(count - 1.0, -1.0, -1.0)
        times: Floats = grid_s - period_s * back
        floor_s = self._floor_s(grid_s, period_s, count)
        if floor_s is not None:
            times = np.maximum(times, floor_s + 1e-9 * (count - back))
        self._last_s = times.item(-1)
        return times

    @property
    def _known_period_s(self) -> float:
        """Before anything is known of the pace, samples share the arrival, a microsecond apart."""
        return 1e-6 if self._period_s is None else self._period_s

    def _take(self, arrival_s: float, count: int, takes: int) -> tuple[float, float]:
        """Take a read into the grid; the time of its last sample, and from sample to sample.

        Args:
            arrival_s: When it returned.
            count: Its samples.
            takes: Its samples and the bad ones before them.
        """
        if self._fresh:
            self._begin(arrival_s)
            self._number = count
        else:
            self._number += takes
        since_s = arrival_s - self._origin_s
        if self._is_pause(since_s):
            self._begin(arrival_s)
            since_s, self._number = 0.0, count
        self._note(since_s, arrival_s)
        period_s = self._known_period_s
        return min(self._offset_s + period_s * self._number, since_s) + self._origin_s, period_s

    def _take_uneventful(self, arrivals_s: Floats, first_count: int, takes: Integers) -> Floats:
        """Take reads as long as they leave the grid as it is; the times of their last samples.

        The same sums as `_take` and `_note`, on whole arrays: no fit, nothing lowers or moves the grid, or
        can be a pause; the grid alone keeps the order. Few such reads are left to `_take`, quicker then.

        Args:
            arrivals_s: Shape (n,), of all reads to come.
            first_count: Samples of the first of them.
            takes: Shape (n,), samples of each and the bad ones before them.
        """
        envelope, period_s, last_s = self._envelope, self._period_s, self._last_s
        end = min(len(takes), envelope.reads_before_fit)
        if end < _FEWEST_READS or self._fresh or period_s is None or last_s is None or len(envelope) < 2:
            return _NONE
        # So long a period outweighs the rounding of times: samples of one grid are in order by themselves.
        if period_s < 1e-6 or arrivals_s.item(end - 1) > _LATEST_S:
            return _NONE
        number = np.cumsum(takes[:end]).astype(np.float64) + self._number
        since_s = arrivals_s[:end] - self._origin_s
        line_s = self._offset_s + period_s * number
        late_s = since_s - line_s
        latest_s, count = 0.75 * period_s + _PAUSE_S, len(late_s)
        if late_s.item(late_s.argmin()) < 0.0 or late_s.item(late_s.argmax()) > latest_s:
            count = int(((late_s < 0.0) | (late_s > latest_s)).argmax())
        if line_s.item(0) + self._origin_s - period_s * (first_count - 1.0) <= last_s + 1e-9:
            return _NONE
        count = self._watch_stretches(since_s[:count], late_s[:count], number)
        if not count:
            return _NONE
        envelope.add_before_fit(number[:count], since_s[:count])
        longest_s = arrivals_s.item(0) - self._previous_s
        if count > 1:
            longest_s = max(longest_s, (arrivals_s[1:count] - arrivals_s[: count - 1]).max().item())
        self._longest_s = max(self._longest_s, longest_s)
        self._previous_s = arrivals_s.item(count - 1)
        hold_up_s = self._hold_up_s
        for one_s in late_s[:count].tolist():
            hold_up_s += _MEMORY * (one_s - hold_up_s)
        self._hold_up_s = hold_up_s
        self._number = int(number.item(count - 1))
        grid_s: Floats = line_s[:count] + self._origin_s
        self._last_s = grid_s.item(count - 1)
        return grid_s

    def _watch_stretches(self, since_s: Floats, late_s: Floats, number: Floats) -> int:
        """As `_watch_stretch`, read after read, up to a stretch that may move the grid; reads taken."""
        done, count = 0, len(late_s)
        while done < count:
            end, reads = count, self._stretch_reads + count - done
            if ends := since_s.item(-1) - self._stretch_from_s >= _STRETCH_S and reads >= _STRETCH_READS:
                over = _first_beyond(since_s, self._stretch_from_s, _STRETCH_S)
                end = 1 + max(over, done + _STRETCH_READS - 1 - self._stretch_reads)
            at = done + int(late_s[done:end].argmin())
            lowest = self._lowest
            if lowest is None or late_s.item(at) < lowest[0]:
                lowest = (late_s.item(at), int(number.item(at)), since_s.item(at))
            if not ends:
                self._lowest, self._stretch_reads = lowest, reads
            elif self._moves_grid(lowest[0]):
                return done
            else:
                self._lowest, self._stretch_from_s, self._stretch_reads = None, since_s.item(end - 1), 0
            done = end
        return done

    def _floor_s(self, grid_s: float, period_s: float, count: int) -> float | None:
        """What times have to come after, when the grid alone would not keep the order; None when it does."""
        last_s = self._last_s
        if last_s is None or (grid_s - period_s * (count - 1.0) > last_s + 1e-9 and period_s > 1e-9):
            return None
        return last_s

    def _state(self) -> float:
        """The uncertainty, as it stands after a fit; reads in between change it by nothing to speak of."""
        if self._period_s is None:
            return math.inf
        if not self._settled:
            return max(self._longest_s, self._period_s)
        seen_s = 2.0 * self._hold_up_s  # width of an even distribution with this mean
        hidden_s = max(0.0, min(self._period_s, HOLD_UP_S) - seen_s)
        return math.hypot(self._envelope.spread_s, hidden_s / math.sqrt(3.0))

    # The grid --------------------------------------------------------------------------------------------

    def _begin(self, origin_s: float) -> None:
        """A new grid; the pace is kept until there is a better one."""
        self._fresh = False
        self._origin_s = origin_s
        self._number = 0
        self._offset_s = 0.0  # of the grid, from the origin, at number 0
        self._envelope = Envelope()
        self._lowest = None
        self._stretch_from_s = 0.0
        self._stretch_reads = 0

    @property
    def _settled(self) -> bool:
        return len(self._envelope) >= _SETTLED_POINTS and self._envelope.span_s >= _STRETCH_S

    def _note(self, since_s: float, arrival_s: float) -> None:
        """Take a read into the grid: fit, lower or move it."""
        first = len(self._envelope) == 0
        if not first:
            self._longest_s = max(self._longest_s, arrival_s - self._previous_s)
        self._previous_s = arrival_s
        if self._envelope.add(self._number, since_s):
            self._fit()
        if self._period_s is None:
            return
        late_s = since_s - (self._offset_s + self._period_s * self._number)
        if first or late_s < 0.0:  # nothing arrives before it was sent
            self._offset_s += late_s
            late_s = 0.0
        if not first:
            self._hold_up_s += _MEMORY * (late_s - self._hold_up_s)
        self._watch_stretch(since_s, late_s)

    def _is_pause(self, since_s: float) -> bool:
        if self._period_s is None or len(self._envelope) < 2:
            return False
        late_s = since_s - (self._offset_s + self._period_s * self._number)
        return late_s > 0.75 * self._period_s + max(_PAUSE_S, 4.0 * self._hold_up_s)

    def _fit(self) -> None:
        enough = len(self._envelope) >= _SLOPE_POINTS and self._envelope.span_s >= _SLOPE_S
        self._pace_is_known |= enough
        line = self._envelope.line(self._period_s if self._pace_is_known and not enough else None)
        if line is not None:
            self._offset_s, self._period_s = line
        self._stated_s = self._state()

    def _watch_stretch(self, since_s: float, late_s: float) -> None:
        """When every read of a stretch came late, samples are missing: move the grid to the earliest."""
        if self._lowest is None or late_s < self._lowest[0]:
            self._lowest = (late_s, self._number, since_s)
        self._stretch_reads += 1
        if since_s - self._stretch_from_s < _STRETCH_S or self._stretch_reads < _STRETCH_READS:
            return
        low_s, number, at_s = self._lowest
        self._lowest, self._stretch_from_s, self._stretch_reads = None, since_s, 0
        if self._moves_grid(low_s):
            self._envelope = Envelope()
            self._envelope.add(number, at_s)
            self._offset_s += low_s

    def _moves_grid(self, low_s: float) -> bool:
        """A stretch whose earliest read was this late has lost samples."""
        least_s = 0.75 * (self._period_s or 0.0) + 0.0005
        return low_s > least_s and low_s > least_s + 4.0 * self._envelope.scatter_s  # a median takes its time


def _first_beyond(since_s: Floats, from_s: float, stretch_s: float) -> int:
    """Index of the first that lies at least a stretch after ``from_s``; the last of the sorted ones does."""
    first = int(since_s.searchsorted(from_s + stretch_s))
    while first and since_s.item(first - 1) - from_s >= stretch_s:  # a sum rounds other than a difference
        first -= 1
    while since_s.item(first) - from_s < stretch_s:
        first += 1
    return first


# The lower envelope of arrivals: the straight line under all points that comes closest to them.
#
# Points are (sample number, arrival). Of the lines that have no point below them, the one with the least
# sum of distances runs along the edge of the lower convex hull that spans the mean number (the method of S.
# B. Moon, P. Skelly, D. Towsley, "Estimation and removal of clock skew from network delay measurements",
# INFOCOM 1999; *(memory)*, and checked in the tests against a linear programme). Only that edge is looked
# for, starting at that of the line before: mostly it still is the edge, and one pass over the points shows
# it. Memory is bounded: neighbouring reads share a point, the one lowest against the line so far.


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
