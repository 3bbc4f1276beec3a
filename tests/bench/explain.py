"""Every note that went wrong, in a line that says where to look for it."""

from collections.abc import Iterator

from appliance.vocabulary import HeardNote
from tests.bench.takes import Practice
from tests.scoring import CORRECTION_CENTS, Pair, Score, inside
from tests.truths import Truth

_FAR_CENTS = 8.0


def explain(practice: Practice, level_db: float | None, score: Score) -> list[str]:
    """Lines for missed, invented, wrong and far-off notes of one take, in order of time."""
    found = [*_of_truths(score), *_of_invented(practice, score), *_of_pairs(score)]
    level = "none" if level_db is None else f"{level_db:+.0f} dB"
    head = f"seed {practice.seed} {level}{' vibrato' if practice.vibrato else ''} "
    head += f"{practice.instrument}/{practice.font} drone {practice.drone_midi}"
    return [f"{head}  {at_s:6.2f} s  {what}" for at_s, what in sorted(found)]


def _of_truths(score: Score) -> Iterator[tuple[float, str]]:
    for truth in score.lost:
        yield truth.start_s, f"missed        {_plan(truth)}"
    for pair in score.unmeasured:
        yield pair.truth.start_s, f"unmeasured    {_plan(pair.truth)}"


def _of_invented(practice: Practice, score: Score) -> Iterator[tuple[float, str]]:
    for note in score.invented:
        within = [t for t in practice.truths if inside(note, t)]
        lost = any(t in score.lost for t in within)
        kind = "invented" if not within else "late or early" if lost else "split"
        where = f"in {_plan(within[0])} from {within[0].start_s:.2f} s" if within else ""
        yield note.start_s, f"{kind:13} {_note(note)} {where}"


def _of_pairs(score: Score) -> Iterator[tuple[float, str]]:
    for pair in score.measured:
        kinds = list(_kinds(pair))
        if kinds:
            yield pair.truth.start_s, f"{', '.join(kinds):13} {_plan(pair.truth)}: {_pair(pair)}"


def _kinds(pair: Pair) -> Iterator[str]:
    if pair.wrong:
        yield "wrong"
    elif max(abs(pair.landing_error), abs(pair.settled_error)) > _FAR_CENTS:
        yield "far off"
    if pair.note.arrival != pair.truth.arrival:
        yield "arrival"
    if pair.truth.plan.correct_at_s is None and abs(pair.correction) > CORRECTION_CENTS:
        yield "false correction"
    if bool(pair.note.vibrato) != bool(pair.truth.vibrato_cents):
        yield "no vibrato" if pair.truth.vibrato_cents else "false vibrato"


def _plan(truth: Truth) -> str:
    plan = truth.plan
    words = [f"midi {plan.midi} {plan.landing_cents:+.0f}"]
    if plan.correct_at_s is not None:
        words.append(f"→{plan.settled_cents:+.0f} at {plan.correct_at_s:.2f}+{plan.correct_s:.2f}")
    words.append(f"{plan.duration_s:.2f} s {plan.arrival}")
    words.append(f"(join {plan.join_s:.3f}, gap {plan.gap_s:.2f}, dip {plan.dip_db:.0f} dB,")
    words.append(
        f"{plan.level_db:+.0f} dB, swell {plan.swell_db:+.0f}, turn {plan.bow_turn_db:.0f})"
    )
    if plan.vibrato_cents:
        words.append(f"vibrato {plan.vibrato_hz:.1f} Hz ±{plan.vibrato_cents:.0f}")
        words.append(f"after {plan.vibrato_after_s:.2f}")
    return " ".join(words)


def _note(note: HeardNote) -> str:
    pitch = f"{note.landing_hz:.2f} Hz" if note.landing_hz else "not measurable"
    return f"heard {note.end_s - note.start_s:.2f} s, {pitch}, {note.arrival}"


def _pair(pair: Pair) -> str:
    note = pair.note
    vibrato = note.vibrato
    wave = f", vibrato {vibrato.rate_hz:.1f} ±{vibrato.extent_cents:.0f}" if vibrato else ""
    return (
        f"landing {pair.landing_error:+.1f} (±{note.landing_uncertainty_cents}) settled "
        f"{pair.settled_error:+.1f} c, start {note.start_s - pair.truth.start_s:+.3f} s, "
        f"{note.end_s - note.start_s:.2f} s, {note.arrival}{wave}"
    )
