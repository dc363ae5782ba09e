"""What came of a campaign, as a table and in words."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from statistics import median

from fault_campaign.campaign import Fault, Reckoning


def table(faults: Sequence[Fault]) -> str:
    """A row for each kind of fault, in Markdown."""
    by_kind: dict[str, list[Fault]] = defaultdict(list)
    for fault in faults:
        by_kind[fault.kind].append(fault)
    lines = [
        "| fault | count | back after, median / most [s] | lost | wrong | not told | told by |",
        "| --- | ---: | ---: | ---: | ---: | ---: | --- |",
    ]
    for kind, some in sorted(by_kind.items()):
        times = [fault.back_s for fault in some if fault.back_s is not None]
        back = f"{median(times):.1f} / {max(times):.1f}" if times else "-"
        if len(times) < len(some):
            back += f"; {len(some) - len(times)} never"
        told = Counter(way for fault in some for way in fault.told)
        wrong = sum(bool(fault.strange or fault.tracebacks) for fault in some)
        lines.append(
            f"| {kind} | {len(some)} | {back} | {sum(fault.lost for fault in some)} | {wrong} "
            f"| {sum(not fault.is_told for fault in some)} "
            f"| {', '.join(f'{way} {count}' for way, count in told.most_common()) or '-'} |"
        )
    return "\n".join(lines)


def outcome(reckoning: Reckoning) -> str:
    """The reckoning in words."""
    lines = [
        f"{len(reckoning.faults)} faults of {len({f.kind for f in reckoning.faults})} kinds; "
        f"{reckoning.reports} reports accepted by the broker: {reckoning.lost} lost, "
        f"{reckoning.strange} doubled or with other values, {reckoning.refused} refused; "
        f"{reckoning.with_broker} more lost by a broker that was killed before it had handed them over; "
        f"{reckoning.for_nobody} that it took for nobody were sent again",
        f"{reckoning.alarms} alarm changes; {len(reckoning.only_live)} that a replay has not, "
        f"{len(reckoning.only_replayed)} that only a replay has",
    ]
    lines += [
        f"channel {channel}: {told.changes} changes, {len(told.missing)} not told, "
        f"{told.two_ids} by two ids, {told.out_of_order} out of order, "
        f"{told.repeated} told again with the same id"
        + (f", {told.lost_by_broker} lost by a broker with its memory" if told.lost_by_broker else "")
        for channel, told in reckoning.told.items()
    ]
    starts = Counter(reckoning.ends)
    ends = ", ".join(f"{status}: {count}" for status, count in starts.most_common())
    lines.append(f"{reckoning.tracebacks} tracebacks in the log; ends of the daemon by status: {ends}")
    for name, rows in (("only live", reckoning.only_live), ("only replayed", reckoning.only_replayed)):
        lines += [f"  {name}: {row}" for row in rows[:10]]
    lines += [
        f"  {name} not told: {told.missing[:5]}" for name, told in reckoning.told.items() if told.missing
    ]
    lines += [f"  wrong: {text}" for text in reckoning.still_wrong]
    lines += [f"  {f.kind}: {f.why}" for f in reckoning.faults if f.why]
    lines.append("all well" if reckoning.is_well else "NOT WELL")
    return "\n".join(lines)
