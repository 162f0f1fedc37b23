"""The compiled loop over a totaliser's readings. Evidence: naive twin, one reading at a time, to the bit."""

from statistics import median

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.features.kernels import settled_l

PLENTY_L, BORNE_OUT_BY, REMEMBERED_S = 50.0, 2, 7.0
READING = st.tuples(
    st.sampled_from([0.5, 1.0, 3.0]),
    st.sampled_from([0.0, 0.3, 2.5, -2.5, 7.1, -7.1, 60.0, -60.0]),
    st.booleans(),
)


def twin(at_s, ahead_l, least_l, is_late):
    found = []
    level = top = out = 0.0
    rose_s = fell_s = -np.inf
    known = 0
    for place in range(1, len(at_s)):
        is_doubted = is_late[place] or abs(ahead_l[place] - level) >= PLENTY_L
        known = max(known, place + (BORNE_OUT_BY if is_doubted else 0))
        if known >= len(at_s):
            break
        seen = ahead_l[place : known + 1]
        top = level if at_s[place] - fell_s > REMEMBERED_S else top
        out = 0.0 if at_s[place] - rose_s > REMEMBERED_S else out
        litres = 0.0
        if min(seen) >= level + least_l[place]:
            level = min(seen)
            litres = max(level - top, 0.0)
            top = max(top, level)
            if litres > 0.0:
                out, rose_s = out + litres, at_s[place]
        elif median(seen) <= level - least_l[place]:
            back = min(level - median(seen), out)
            level, fell_s = median(seen), at_s[place]
            out, top, litres = out - back, top - back, -back
        elif abs(ahead_l[place] - level) < least_l[place]:
            top += ahead_l[place] - level
            level = ahead_l[place]
        if litres:
            found.append((place, litres, known))
    return found


@given(st.lists(READING, max_size=40), st.sampled_from([0.2, 2.0]))
def test_each_reading_counts_as_by_the_definition(readings, least):
    at_s = np.cumsum([1.0, *(after for after, _, _ in readings)])
    ahead_l = np.cumsum([0.0, *(moved for _, moved, _ in readings)])
    is_late = np.array([True, *(late for _, _, late in readings)])
    least_l = np.full(len(at_s), least)
    litres, known = settled_l(at_s, ahead_l, least_l, is_late, (PLENTY_L, BORNE_OUT_BY, REMEMBERED_S))
    places = np.flatnonzero(litres)
    told = list(zip(places.tolist(), litres[places].tolist(), known[places].tolist(), strict=True))
    assert told == twin(at_s.tolist(), ahead_l.tolist(), least_l.tolist(), is_late.tolist())
