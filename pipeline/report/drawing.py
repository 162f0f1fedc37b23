"""What every chart of the report is made with: its parts as the page takes them, safe text, and fewer points."""

from typing import Any

import numpy as np

Chart = dict[str, Any]


def chart(key: str, traces: list[dict[str, Any]], y_title: str, *, height: int = 260, **layout: Any) -> Chart:
    """A chart as the page takes it: `key`, `traces`, `layout` and `height` in px."""
    return {"key": key, "traces": traces, "height": height, "layout": {"yaxis": {"title": {"text": y_title}}} | layout}


def plain(value: object) -> str:
    """`value` as text in which Plotly finds no markup."""
    return str(value).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def thinned(values: np.ndarray, limit: int) -> np.ndarray:
    """Positions, rising and at most `limit`, of the smallest and the largest value of each of `limit / 2` equal spans.

    What sticks out stays in: the extremes of the whole are always kept. NaN is never an extreme. All positions where
    there are no more than `limit`.

    Examples
    --------
    >>> thinned(np.array([0.0, 9.0, 1.0, 2.0, -5.0, 3.0]), 4).tolist()
    [0, 1, 4, 5]
    """
    n = len(values)
    if n <= limit:
        return np.arange(n)
    width = -(-n // max(limit // 2, 1))
    spans = -(-n // width)
    padded = np.full(spans * width, np.nan)
    padded[:n] = values
    grid = padded.reshape(spans, width)
    low = np.where(np.isnan(grid), np.inf, grid).argmin(axis=1)
    high = np.where(np.isnan(grid), -np.inf, grid).argmax(axis=1)
    return np.unique(np.concatenate([low, high]) + np.tile(np.arange(spans) * width, 2))
