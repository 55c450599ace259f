"""Compare what the program says of a firing line with the truth, launch by launch."""

from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np

from chrono.measuring.speed import SpeedModel, measure
from chrono.processor.pipeline import Processor, Rules
from chrono.processor.shot_records import NEVER_COUNTED, Shots, flag_words
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.line_kinds import FRAMED
from chrono.rigs.rig_file import rig_from_record
from chrono.rigs.rig_model import Rig

from .bodies import RIG
from .generator import FiringLine, Launch


@dataclass(frozen=True)
class Seen:
    """One shot as the program gives it."""

    host_us: int
    counted: bool
    speed_mps: float
    U95_mps: float
    companion_mps: float
    words: frozenset[str]


@dataclass
class Verdict:
    """What became of one launch."""

    launch: Launch
    shots: list[Seen]
    counted_right: bool = False
    within: list[bool] = field(default_factory=list)
    """One element per counted shot of a launch that must be measured."""
    companion_right: bool | None = None
    flags_right: bool = False

    def __str__(self) -> str:
        x = self.launch
        shots = "; ".join(
            f"{'counted' if s.counted else 'shown'} {s.speed_mps:.4g} ± {s.U95_mps:.2g}"
            f" (companion {s.companion_mps:.4g}) {sorted(s.words)}"
            for s in self.shots
        )
        return (
            f"#{x.number} {x.kind} t={x.time_s:.3f} s, true {x.speeds_mps},"
            f" measured={x.measured} by {sorted(x.sound)}, flags {sorted(x.flags)}"
            f" rows {[sorted(r) for r in x.rows]}"
            f" allowed {sorted(x.allowed)} -> {shots or 'nothing'}"
        )


@dataclass(frozen=True)
class Scorecard:
    """All verdicts, and the shots that belong to no launch."""

    verdicts: tuple[Verdict, ...]
    strays: tuple[Seen, ...]

    @property
    def measurable(self) -> list[Verdict]:
        """Launches with a sound pair of edges."""
        return [v for v in self.verdicts if v.launch.measured == "yes"]

    @property
    def coverage(self) -> float:
        """Share of their counted shots that lie within U95 of a true speed."""
        return float(np.mean([w for v in self.measurable for w in v.within]))

    @property
    def miscounted(self) -> list[Verdict]:
        """Launches counted twice, or not when they must, or when they must not."""
        return [v for v in self.verdicts if not v.counted_right]

    @property
    def false_shots(self) -> list[Seen]:
        """Counted shots that no launch explains."""
        more = [s for v in self.verdicts if v.launch.measured == "no" for s in v.shots]
        return [s for s in [*self.strays, *more] if s.counted]

    def flag_share(self, *measured: str) -> float:
        """Share of launches shown with the right flags."""
        chosen = [v.flags_right for v in self.verdicts if v.launch.measured in measured]
        return float(np.mean(chosen))

    def table(self) -> str:
        """Return one line per kind of launch."""
        kinds: dict[str, list[Verdict]] = defaultdict(list)
        for verdict in self.verdicts:
            kinds[verdict.launch.kind].append(verdict)
        rows = [f"{'kind':22s}{'n':>5s}{'counted ok':>11s}{'in U95':>9s}{'flags ok':>10s}"]
        for kind in sorted(kinds):
            group = kinds[kind]
            inside = [w for v in group for w in v.within]
            share = f"{np.mean(inside):9.3f}" if inside else f"{'-':>9s}"
            right = sum(v.counted_right for v in group)
            flags = sum(v.flags_right for v in group)
            rows.append(f"{kind:22s}{len(group):5d}{right:11d}{share}{flags:10d}")
        return "\n".join(rows)


def rig() -> Rig:
    """Return the firing line's rig."""
    return rig_from_record(RIG)


def shots_of(rows: bytes, block_rows: int = 0) -> Shots:
    """Put rows through decoding and pairing, whole or in blocks of `block_rows` rows."""
    processor = Processor(Rules.from_rig(rig()))
    lines = rows.splitlines(keepends=True) if block_rows else [rows]
    step = block_rows or 1
    parts = []
    for start in range(0, len(lines), step):
        batch = decode_rows(b"".join(lines[start : start + step]), lines=FRAMED)
        controls = [c for c in batch.controls if c.origin in ("hello", "link")]
        parts.append(processor.feed(batch.events, controls))
    return np.concatenate([*parts, processor.finish()])


def seen(shots: Shots) -> list[Seen]:
    """Measure shots and tell which of them count."""
    got = measure(shots, SpeedModel.from_rig(rig()))
    counted = np.isfinite(got.speed_mps) & (shots["flags"] & int(NEVER_COUNTED) == 0)
    return [
        Seen(
            int(s["host_us"]),
            bool(counted[i]),
            float(got.speed_mps[i]),
            float(got.U95_mps[i]),
            float(got.companion_speed_mps[i]),
            frozenset(flag_words(int(s["flags"]))),
        )
        for i, s in enumerate(shots)
    ]


def score(line: FiringLine, shots: list[Seen]) -> Scorecard:
    """Give each launch its shots (by the host time of their first row) and judge them."""
    owner = {host: x.number for x in line.launches for host in x.host_us}
    mine: dict[int, list[Seen]] = defaultdict(list)
    strays = []
    for shot in shots:
        if shot.host_us in owner:
            mine[owner[shot.host_us]].append(shot)
        else:
            strays.append(shot)
    return Scorecard(tuple(_judge(x, mine[x.number]) for x in line.launches), tuple(strays))


def _judge(x: Launch, shots: list[Seen]) -> Verdict:
    verdict = Verdict(x, shots)
    counted = [s for s in shots if s.counted]
    least = 1 if x.measured == "yes" else 0
    most = 0 if x.measured == "no" else x.at_most
    verdict.counted_right = least <= len(counted) <= most
    if x.measured == "either":
        verdict.counted_right &= all(_is_true(x, s) for s in counted)
    elif x.measured == "yes":
        verdict.within = [_is_true(x, s) for s in counted]
    verdict.flags_right = _flags_right(x, counted, [s for s in shots if not s.counted])
    return verdict


def _is_true(x: Launch, shot: Seen) -> bool:
    within = shot.U95_mps + x.slack * shot.speed_mps
    if x.between:
        low, high = min(x.speeds_mps), max(x.speeds_mps)
        return low - within <= shot.speed_mps <= high + within
    return any(abs(shot.speed_mps - v) <= within for v in x.speeds_mps)


def _flags_right(x: Launch, counted: list[Seen], shown: list[Seen]) -> bool:
    words = frozenset().union(*(s.words for s in shown))
    if counted:
        right = all(x.flags <= s.words <= x.flags | x.allowed for s in counted)
        return right and x.beside <= words
    return bool(shown) and (not x.rows or any(row <= words for row in x.rows))
