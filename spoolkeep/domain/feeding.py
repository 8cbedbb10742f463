"""Which feed of a machine gives what a job needs, where the job only says items.

What checks a scan and what looks ahead ask it. It must not know rows.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Need:
    """Grams that a job needs of an item, on a feed where one is known."""

    mg: int
    article_id: int | None = None
    feed_id: int | None = None
    one_lot: bool = False


@dataclass(frozen=True)
class Share:
    """What one feed gives to a job: milligrams, and the item that is meant where one is."""

    mg: int
    article_id: int | None = None
    one_lot: bool = False


def shares(needs: Sequence[Need], loaded: Mapping[int, int | None]) -> tuple[dict[int, Share], list[Need]]:
    """Give what each feed gives, and the needs for which no feed could be told.

    `loaded` is the item on each of the machine's feeds, in order. A need without a feed is given by the feed that
    carries its item; of needs and feeds that are left over, one of each belong together.
    """
    given: dict[int, Share] = {}
    homeless: list[Need] = []
    for need in needs:
        feed_id = need.feed_id if need.feed_id in loaded else _carrying(need, loaded)
        if feed_id is None:
            homeless.append(need)
        else:
            given[feed_id] = _more(given.get(feed_id), need)
    items = {need.article_id for need in homeless}
    free = [feed_id for feed_id in loaded if feed_id not in given]
    if len(items) == 1 and len(free) == 1:
        for need in homeless:
            given[free[0]] = _more(given.get(free[0]), need)
        homeless = []
    return given, homeless


def _carrying(need: Need, loaded: Mapping[int, int | None]) -> int | None:
    if need.article_id is None:
        return None
    return next((feed_id for feed_id, article_id in loaded.items() if article_id == need.article_id), None)


def _more(share: Share | None, need: Need) -> Share:
    if share is None:
        return Share(need.mg, need.article_id, need.one_lot)
    article_id = share.article_id if share.article_id is not None else need.article_id
    return Share(share.mg + need.mg, article_id, share.one_lot or need.one_lot)
