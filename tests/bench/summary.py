"""What a run of the benchmark found, as one text that can be kept."""

import os
import platform
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from tests.bench.limits import Level
from tests.bench.peers import PeerScore
from tests.bench.report import Row, Table, markdown, tables_of
from tests.bench.transcription import PITCH_CENTS, Transcribed
from tests.scoring import Score, percentile
from tests.truths import cents_between

LAST_TUNING_SEED, FIRST_REPORT_SEED = 999, 9000

_READING = """\
How it is counted: notes are paired one to one by start, within 100 ms, whatever the pitch. \
Missed: not found, or said to be not measurable. Invented: found and paired with none, as a share \
of true notes; a split is one that lies inside a note that was found. Wrong: landing more than 50 \
cents off. Landing and settled: absolute error in cents, median / 95 %, of all measured notes. In \
octaves: notes in unison with the drone or octaves above it, and the slope of measured against \
true offset among those of them that are not wrong. A false correction: heard as more than 12 \
cents where none was played; a found one: played with more than 12 cents, and heard to that side \
at more than half of it. Glide: error of the time of a slide that was heard as one. Truth: Praat's \
autocorrelation on the dry tone. Speed: take over processor time of the listen command on one \
core, without the start of its process. Rooms: RT60 0.3 to 0.6 s, somebody moving in the drone's \
way (−30 to −20 dB), a loudspeaker with a high-pass at 80 to 200 Hz and up to 3 % distortion on a \
clock 0 to 100 ppm off, noise at −55 dB re full scale and the player at about −24."""

_TRACKERS = """\
Wrong: more than 50 cents off, or no pitch read. What a tracker hears is the microphone as it is. \
pYIN, being slow, hears the first takes only; the ear's own figures beside it are of all takes."""


@dataclass
class Summary:
    """Everything pooled; keys are level and vibrato, for peers the tracker's name, too."""

    rows: dict[tuple[Level, bool], Row] = field(default_factory=dict)
    transcribed: dict[tuple[Level, bool], Transcribed] = field(default_factory=dict)
    players: dict[str, Score] = field(default_factory=dict)
    peers: dict[tuple[Level, bool, str], PeerScore] = field(default_factory=dict)

    def tables(self, loosened: float = 1.0) -> list[Table]:
        """What has limits."""
        return tables_of(list(self.rows.values()), loosened)

    def report(self, command: str, seeds: Sequence[int], loosened: float = 1.0) -> str:
        """The whole text, in Markdown."""
        tables = self.tables(loosened)
        missed = [line for table in tables for line in table.broken()] or ["none"]
        parts = [
            "# Results of the benchmark of the ear",
            f"    {command}",
            f"{datetime.now(UTC):%Y-%m-%d}, {_machine()}. {_seeds(seeds)}",
            _READING,
            self._truth(),
            *map(str, tables),
            "## By instrument and soundfont, all levels",
            markdown("player", {n: _player(s) for n, s in sorted(self.players.items())}),
            "## Transcription (mir_eval: onset 50 ms, offset 20 %)",
            self._transcription(),
            *self._peers(),
            f"## Limits missed{f', loosened by {loosened:g}' if loosened != 1.0 else ''}",
            "\n".join(f"- {line}" for line in missed),
        ]
        return "\n\n".join(parts)

    def _truth(self) -> str:
        """How far the truth itself can be trusted."""
        pairs = [p for row in self.rows.values() for p in row.score.pairs]
        apart = [
            max(
                abs(cents_between(p.truth.landing_hz, p.truth.planned_landing_hz)),
                abs(cents_between(p.truth.settled_hz, p.truth.planned_settled_hz)),
            )
            for p in pairs
        ]
        return (
            "Praat's landing and settled pitch and those that were planned lie apart by "
            f"{percentile(apart, 50):.2f} cents (median), {percentile(apart, 95):.2f} (95 %), "
            f"{percentile(apart, 100):.2f} (most)."
        )

    def _transcription(self) -> str:
        lines = {}
        for key, row in self.rows.items():
            counted = self.transcribed[key]
            lines[row.name] = {"notes": str(counted.true), "found": str(counted.found)}
            for cents in PITCH_CENTS:
                lines[row.name] |= {
                    f"P {cents:g} c": f"{counted.precision(cents):.3f}",
                    f"R {cents:g} c": f"{counted.recall(cents):.3f}",
                    f"F {cents:g} c": f"{counted.f_measure(cents):.3f}",
                }
        return markdown("drone", lines)

    def _peers(self) -> list[str]:
        """General trackers beside the ear, each told when a note begins."""
        if not self.peers:
            return []
        lines = {}
        for (level, vibrato, name), peer in self.peers.items():
            row = self.rows[level, vibrato]
            lines[f"{row.name}, {name}"] = {
                "notes": str(len(peer.errors)),
                "wrong or unread": f"{peer.wrong:.1%}",
                "landing of the rest": peer.rest,
                "speed": f"{peer.speed:.0f} ×",
                "speed over the ear's": f"{peer.speed / row.speed:.2f}",
                "the ear: wrong": f"{row.score.wrong_share:.1%}",
                "the ear: landing": f"{row.score.landing():.2f} / {row.score.landing(95):.2f}",
            }
        title = "## General trackers on the same takes, given the true times"
        return [title, _TRACKERS, markdown("drone, tracker", lines)]


def _player(score: Score) -> dict[str, str]:
    return {
        "notes": str(score.true),
        "missed": f"{score.missed_share:.1%}",
        "invented": f"{score.invented_share:.1%}",
        "splits": f"{score.split_share:.1%}",
        "wrong": f"{score.wrong_share:.1%}",
        "landing": f"{score.landing():.2f} / {score.landing(95):.2f}",
        "settled": f"{score.settled():.2f} / {score.settled(95):.2f}",
        "arrivals": f"{score.arrivals_right():.1%}",
    }


def _seeds(seeds: Sequence[int]) -> str:
    first, last = min(seeds), max(seeds)
    kind = "neither for tuning nor for reports"
    if first >= FIRST_REPORT_SEED:
        kind = "for reports only"
    elif last <= LAST_TUNING_SEED:
        kind = "for tuning: no report"
    return (
        f"Seeds {first} to {last}, {kind}; the ear is tuned on seeds 1 to {LAST_TUNING_SEED}, "
        f"reports begin at {FIRST_REPORT_SEED}."
    )


def _machine() -> str:
    return (
        f"{platform.machine()}, {os.cpu_count()} cores, {platform.system()}, "
        f"Python {platform.python_version()}, load average at the end {os.getloadavg()[1]:.1f}"
    )
