"""False looks, false holds and the delay of early warnings over simulated series.

Usage: python tests/benchmarks/benchmark_early_warning.py [--series 500] [--seed 1]

A tray-look is one photo of one tray. A false look is counted in every photo of a clean tray that
leaves it at look or hold, a new one only where it is asked for. "In time" is a patch of mould
reported no later than the first photo in which it measures 10 mm or more: of all patches, and of
those that the segmentation had found at all by then (the rest lay under blades or in a blurred
photo).
"""

import argparse
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

import numpy as np
from numpy.typing import NDArray

from trayvision.synthetic.mould import MouldHabits, SyntheticSeries, SyntheticTrays
from trayvision.warning.early_warning import WarningRates, alert_likelihood, margins_nats
from trayvision.warning.patch_evidence import patch_evidence
from trayvision.warning.patch_tracking import TrackedPatch, track_patches

LIMIT_MM = 10.0
NEAR_MM = 15.0
# Of the runs of a room: about one tray-look in 100 then shows mould.
MOULDY_SHARE = 0.08

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Trace:
    """How far beyond look and hold each photo leaves the tray, nats, and what is claimed."""

    look: Floats
    hold: Floats
    claimed: Floats
    mould_mm: Floats
    sighted: NDArray[np.bool_]
    judged: NDArray[np.bool_]
    shown: Floats


@dataclass(frozen=True)
class Outcome:
    """What two bounds gave."""

    false_looks: float
    new_looks: float
    false_holds: float
    in_time: float
    in_time_where_sighted: float
    first_look_mm: Floats
    first_hold_mm: Floats
    patches: int

    def line(self) -> str:
        look = np.quantile(self.first_look_mm, [0.5, 0.9])
        hold = np.median(self.first_hold_mm) if self.first_hold_mm.size else np.nan
        return (
            f"{self.false_looks:8.2%} {self.new_looks:8.2%} {self.false_holds:9.3%} "
            f"{self.in_time:8.1%} {self.in_time_where_sighted:8.1%} "
            f"{look[0]:7.1f} {look[1]:7.1f} "
            f"{self.first_hold_mm.size / self.patches:8.1%} {hold:7.1f}"
        )


HEADING = (
    "   false      new     false  in time  in time first look, mm     held    mm at\n"
    "   looks    looks     holds      all  sighted  median    90 %            first"
)


def trace(series: SyntheticSeries) -> Trace:
    """Evidence after each photo, as the service would have had it then."""
    look = np.full(len(series.photos), -np.inf)
    hold, claimed = look.copy(), np.zeros(len(series.photos))
    sighted = np.zeros(len(series.photos), dtype=bool)
    rates = WarningRates()
    place = series.mould_place_mm
    for track in track_patches(series.photos):
        seen = track.events[0].sighting
        if seen is None:
            continue
        if place and hypot(seen.x_mm - place[0], seen.y_mm - place[1]) > NEAR_MM:
            continue
        skipped = len(series.photos) - len(track.events)
        sighted[skipped:] = True
        for count in range(1, len(track.events) + 1):
            sofar = TrackedPatch(track.events[:count], track.before)
            evidence = patch_evidence(sofar, series.context)
            now = skipped + count - 1
            margins = margins_nats(sofar, evidence, rates)
            look[now], hold[now] = max(look[now], margins[0]), max(hold[now], margins[1])
            claim = alert_likelihood(evidence.total - rates.look_bound)
            claimed[now] = max(claimed[now], claim)
    judged = np.array([photo.smallest_patch_mm is not None for photo in series.photos])
    shown = [
        photo.could_show(size) if size else 0.0
        for photo, size in zip(series.photos, series.mould_mm, strict=True)
    ]
    return Trace(look, hold, claimed, np.array(series.mould_mm), sighted, judged, np.array(shown))


def outcome(clean: Sequence[Trace], mouldy: Sequence[Trace], shift: float) -> Outcome:
    looks = np.concatenate([t.look >= shift for t in clean])
    holds = np.concatenate([t.hold >= shift for t in clean])
    new = sum(int(((t.look >= shift) & ~np.r_[False, t.look[:-1] >= shift]).sum()) for t in clean)
    in_time, in_time_sighted, first_look, first_hold = [], [], [], []
    for t in mouldy:
        big = np.flatnonzero(t.mould_mm >= LIMIT_MM)
        if not big.size:
            continue
        found = np.flatnonzero((t.look >= shift) & (t.mould_mm > 0))
        held = np.flatnonzero((t.hold >= shift) & (t.mould_mm > 0))
        in_time.append(bool(found.size and found[0] <= big[0]))
        if t.sighted[big[0]]:
            in_time_sighted.append(in_time[-1])
        first_look += [t.mould_mm[found[0]]] if found.size else []
        first_hold += [t.mould_mm[held[0]]] if held.size else []
    return Outcome(
        float(looks.mean()),
        new / len(looks),
        float(holds.mean()),
        float(np.mean(in_time)),
        float(np.mean(in_time_sighted)),
        np.array(first_look),
        np.array(first_hold),
        len(in_time),
    )


def lateness(mouldy: Sequence[Trace]) -> list[str]:
    """Why patches were not reported by the photo in which they pass the limit."""
    why: Counter[str] = Counter()
    for t in mouldy:
        big = np.flatnonzero(t.mould_mm >= LIMIT_MM)
        if not big.size:
            continue
        passed = big[0]
        if (t.look[: passed + 1] >= 0)[t.mould_mm[: passed + 1] > 0].any():
            why["in time"] += 1
        elif t.sighted[passed]:
            why["found, too little evidence"] += 1
        elif not t.judged[passed]:
            why["a photo in which no patch could be judged"] += 1
        elif t.shown[passed] < 0.5:
            why["hidden by blades"] += 1
        else:
            why["missed by the segmentation"] += 1
    return [f"  {count / why.total():5.1%} {reason}" for reason, count in why.most_common()]


def reliability(clean: Sequence[Trace], mouldy: Sequence[Trace]) -> list[str]:
    """Claimed and true share of mould among tray-looks that ask for a look."""
    lines = []
    claims = [np.concatenate([t.claimed[t.look >= 0] for t in ts]) for ts in (clean, mouldy)]
    for low, high in ((0.0, 0.35), (0.35, 0.5), (0.5, 0.65), (0.65, 0.8), (0.8, 0.9), (0.9, 1.0)):
        harmless, mould = (
            share * int(((claim >= low) & (claim < high)).sum())
            for share, claim in zip((1 - MOULDY_SHARE, MOULDY_SHARE), claims, strict=True)
        )
        if harmless + mould:
            lines.append(f"  {low:.2f} to {high:.2f}: {mould / (harmless + mould):.2f}")
    return lines


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--photos-per-day", type=int, default=2)
    parser.add_argument("--pair-share", type=float, default=0.2)
    parser.add_argument("--harmless-logit", type=float, default=MouldHabits().harmless_logit)
    parser.add_argument("--mould-logit", type=float, default=MouldHabits().mould_logit)
    parser.add_argument("--brief", action="store_true", help="the product's bounds only")
    given = parser.parse_args(arguments)
    habits = MouldHabits(
        photos_per_day=given.photos_per_day,
        pair_share=given.pair_share,
        harmless_logit=given.harmless_logit,
        mould_logit=given.mould_logit,
    )
    trays = SyntheticTrays(habits)
    rng = np.random.default_rng(given.seed)
    clean = [trace(trays.draw(mouldy=False, rng=rng)) for _ in range(given.series)]
    mouldy = [trace(trays.draw(mouldy=True, rng=rng)) for _ in range(given.series)]
    rates = WarningRates()
    looks = sum(len(t.look) for t in clean)
    print(f"{given.series} clean series ({looks} tray-looks), {given.series} with mould")
    print(f"bounds of the product: look {rates.look_bound:.2f}, hold {rates.hold_bound:.2f} nats")
    print("        " + HEADING.replace("\n", "\n        "))
    print("product " + outcome(clean, mouldy, 0.0).line())
    print("patches, by the photo in which they pass 10 mm:")
    print("\n".join(lateness(mouldy)))
    if given.brief:
        return
    print("all bounds shifted by so many nats:")
    for shift in np.arange(-2.0, 3.01, 0.5):
        print(f"{shift:+7.1f} " + outcome(clean, mouldy, shift).line())
    print(f"claimed likelihood: true share of mould, where {MOULDY_SHARE:.0%} of runs are mouldy")
    print("\n".join(reliability(clean, mouldy)))


if __name__ == "__main__":
    main()
