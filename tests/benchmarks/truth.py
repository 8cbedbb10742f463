"""What the demo's books know, beside what truly happened: the target of every figure that is to come.

Run it: python tests/benchmarks/truth.py [--instance DIR] [--days N] [--json]. Without an instance one is built in a
folder of its own. The truth is in truth.json beside the database; how it came about is in services/demo.
"""

import argparse
import json
import tempfile
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.words import Kind, Outcome
from spoolkeep.services import untold
from spoolkeep.services.demo import prepare
from spoolkeep.services.demo.truth import Truth, load
from spoolkeep.services.instance import Instance
from spoolkeep.services.shop import code_text, load_shop
from spoolkeep.store.engine import Session
from spoolkeep.store.tables import Balance, DayTotal, Job, Movement, Spool, Stop

LAST_DAYS = 365
SLIP_MG = 60_000


def compare(session: Session, truth: Truth) -> dict[str, Any]:
    """Give each figure as the books have it and as it truly is; grams, days, hours and counts."""
    assert truth.lived_through is not None
    moment = load_shop(session).clock.span_of(truth.lived_through)[1]
    since = truth.lived_through - timedelta(days=LAST_DAYS)
    names = {number: name for name, number in truth.numbers.items.items()}
    return {
        "as of": moment.isoformat(),
        **left(session, truth, moment),
        **learned(session, truth, moment),
        **demand(session, truth, since, names),
        **tares(session, truth),
        **failures(session, truth),
    }


def left(session: Session, truth: Truth, moment: datetime) -> dict[str, Any]:
    """Give how far the books are off on the spools that are there, sealed ones apart."""
    query = select(col(Spool.serial), col(Balance.left_mg)).join(Balance, col(Balance.spool_id) == col(Spool.id))
    booked = {code_text(CodeKind.SPOOL, serial): mg for serial, mg in session.execute(query)}
    true = truth.left_at(moment)
    opened = [one for one in truth.there() if one.opened]
    errors = np.array([booked[one.code] - true[one.code] for one in opened]) / 1000
    return {
        "g on the shelf and machines": _pair(sum(booked[code] for code in true) / 1000, sum(true.values()) / 1000),
        "opened spools": len(opened),
        "g off an opened spool, mean": round(float(errors.mean()), 1),
        "g off, half are within": round(float(np.quantile(abs(errors), 0.5)), 1),
        "g off, nine in ten are within": round(float(np.quantile(abs(errors), 0.9)), 1),
        "g off, the worst": round(float(abs(errors).max()), 1),
    }


def learned(session: Session, truth: Truth, moment: datetime) -> dict[str, Any]:
    """Give how far what is probably left is off on opened spools, with and without what weighings taught.

    Left out are spools on which the books are off by more than a slip of the hand: one was taken for another there.
    """
    drift, true = untold.learned(session), truth.left_at(moment)
    query = select(Spool, col(Balance.left_mg)).join(Balance, col(Balance.spool_id) == col(Spool.id))
    booked = {code_text(CodeKind.SPOOL, spool.serial): (spool.id, mg) for spool, mg in session.execute(query)}
    lefts = untold.left_of(session, [spool_id for spool_id, _ in booked.values()])
    rows = []
    for one in truth.there():
        spool_id, mg = booked[one.code]
        if one.opened and abs(mg - true[one.code]) < SLIP_MG and spool_id in lefts:
            estimate = lefts[spool_id].probably
            low, high = estimate.ninety
            off = (mg - true[one.code]) / 1000, (estimate.mean - true[one.code]) / 1000
            rows.append((*off, low <= true[one.code] <= high))
    plain, better, inside = np.array(rows).T
    return {
        "stretches learned from": drift.stretches,
        "opened spools without a gross slip": len(rows),
        "g off without learning, root mean square": round(float(np.sqrt((plain**2).mean())), 1),
        "g off with it": round(float(np.sqrt((better**2).mean())), 1),
        "half are within, without and with": _pair(*(float(np.median(abs(one))) for one in (plain, better))),
        "share within the bounds of 90 %": round(float(inside.mean()), 2),
    }


def demand(session: Session, truth: Truth, since: Any, names: dict[int, str]) -> dict[str, Any]:  # noqa: ANN401 - a date
    """Give what was drawn over the last year, told and true, what customers asked for, and what they did not get."""
    query = (
        select(col(DayTotal.article_id), func.sum(col(DayTotal.mg)))
        .where(col(DayTotal.kind) == Kind.DRAW, col(DayTotal.shop_day) > since)
        .group_by(col(DayTotal.article_id))
    )
    told = {names[article]: -int(mg) / 1000 for article, mg in session.execute(query) if article in names}
    true, asked, lost = (_sum(days, since) for days in (truth.drawn_mg, truth.asked_mg, truth.lost_mg))
    ratios = [true[name] / told[name] for name in told if told[name] > 0]
    return {
        "g drawn in a year": _pair(sum(told.values()), sum(true.values())),
        "g asked for in a year": _pair(None, sum(asked.values())),
        "g that customers did not wait for": _pair(None, sum(lost.values())),
        "true over told grams by item, least and most": [round(min(ratios), 3), round(max(ratios), 3)],
        "days with a draw beside days with demand": _pair(
            session.scalars(
                select(func.count(func.distinct(col(DayTotal.shop_day)))).where(
                    col(DayTotal.kind) == Kind.DRAW, col(DayTotal.shop_day) > since
                )
            ).one(),
            sum(1 for day in truth.asked_mg if day > since),
        ),
    }


def tares(session: Session, truth: Truth) -> dict[str, Any]:
    """Give how far the empty weights in the books are from the true ones."""
    del session
    known = [one for one in truth.spools if one.tare_mg is not None and one.said_tare_mg is not None]
    errors = np.array([(one.said_tare_mg or 0) - (one.tare_mg or 0) for one in known]) / 1000
    unknown = sum(one.said_tare_mg is None for one in truth.there())
    return {
        "g that a tare is off, standard deviation": round(float(errors.std()), 1),
        "spools without a known tare": _pair(unknown, sum(one.tare_mg is None for one in truth.there())),
    }


def failures(session: Session, truth: Truth) -> dict[str, Any]:
    """Give stops, failed jobs and weighings as the books have them; of stops the true hours."""
    stops = session.scalars(select(Stop).where(col(Stop.live), col(Stop.until_at).is_not(None))).all()
    hours = sum((one.until_at - one.from_at).total_seconds() for one in stops if one.until_at) / 3600
    true = sum((one.until_at - one.from_at).total_seconds() for one in truth.stops) / 3600
    ended = select(func.count()).select_from(Job).where(col(Job.outcome).is_not(None))
    failed = session.scalars(ended.where(col(Job.outcome) == Outcome.FAILED)).one()
    weighed = select(func.count()).select_from(Movement)
    return {
        "hours that machines stood still": _pair(hours, true),
        "jobs that failed": failed,
        "jobs that ended": session.scalars(ended).one(),
        "weighings": session.scalars(weighed.where(col(Movement.kind) == Kind.WEIGHING)).one(),
    }


def _pair(books: float | None, truth: float | None) -> dict[str, float | None]:
    return {
        "books": None if books is None else round(books),
        "truth": None if truth is None else round(truth),
    }


def _sum(days: Any, since: Any) -> dict[str, float]:  # noqa: ANN401 - dates to grams by item
    sums: dict[str, float] = {}
    for day, items in days.items():
        if day > since:
            for item, mg in items.items():
                sums[item] = sums.get(item, 0) + mg / 1000
    return sums


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    options.add_argument("--instance", type=Path)
    options.add_argument("--days", type=int)
    options.add_argument("--json", action="store_true")
    asked = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        instance = Instance(asked.instance or Path(folder) / "demo")
        if asked.instance is None:
            prepare(instance, now=datetime.now(UTC), days=asked.days)
        truth = load(instance.folder)
        if truth is None:
            raise SystemExit(f"There is no truth in {instance.folder}. Build the demo there first.")
        with closing(instance.open()) as store, store.read() as session:
            found = compare(session, truth)
    if asked.json:
        print(json.dumps(found, indent=2))
        return
    print(f"{'':<48}{'books':>12}{'truth':>12}")
    for name, value in found.items():
        if isinstance(value, dict):
            print(f"{name:<48}{value['books'] if value['books'] is not None else '-':>12}{value['truth']:>12}")
        else:
            print(f"{name:<48}{value!s:>24}")


if __name__ == "__main__":
    main()
