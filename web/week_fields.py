"""What the fields of ``week.json`` mean, for the page of exports and for ``web/EXPORTS.md``.

Grouped as the JSON is; a field that the week gets must be added here (``tests/test_week_json.py``).
"""

from typing import NamedTuple


class WeekField(NamedTuple):
    """One field; ``unit`` is empty where there is none."""

    name: str
    unit: str
    meaning: str


_COMPARED = "a comparison: the same notes over the same drone in both weeks, or null"

WEEK_FIELDS: dict[str, tuple[WeekField, ...]] = {
    "the week": (
        WeekField("week", "", "the week after ISO 8601, such as 2026-W07"),
        WeekField("first_day", "", "its Monday"),
        WeekField("tuning", "", "how it was read: just, pythagorean or equal"),
        WeekField("band_cents", "cents", "in tune within so much to each side"),
        WeekField("a4_hz", "Hz", "the A4 it was read at; null: as it was played"),
        WeekField("open_strings_counted", "", "whether notes that may be open strings count"),
        WeekField("total", "", "a tally of the week's landings"),
        WeekField("week_before", "", "a tally of the week before"),
        WeekField("like_for_like", "", _COMPARED),
        WeekField("notes", "", "for every note: a note, most trouble first"),
        WeekField("shifts", "", "for every likely shift: a movement"),
        WeekField("slide_moves", "", "for every likely slide move of a trombone: a movement"),
        WeekField("leaps", "", "for every leap: a movement"),
        WeekField("unsure", "notes", "between two notes, so that none of them was surely meant"),
        WeekField("not_measurable", "notes", "too short or too rough to hear a landing"),
        WeekField("repeats", "notes", "played again with the finger left in place"),
        WeekField("struck_out", "notes", "struck out by foot"),
        WeekField("paused", "notes", "played while the log was paused"),
        WeekField("in_rounds", "notes", "played in rounds"),
        WeekField("tuning_strings", "notes", "played while tuning the strings"),
        WeekField("may_be_open", "notes", "may be open strings and are not counted"),
        WeekField("without_any_drone", "notes", "counted, and read in equal temperament"),
        WeekField("beside", "", "with the drone beside without it"),
        WeekField("sittings", "", "for every sitting: how fast it was played"),
        WeekField("strings", "", "for every open string of a sitting: how it was tuned"),
        WeekField("days", "", "for every day with a landing: `day` and a tally"),
        WeekField("drones", "", "for every drone that sounded: a drone"),
        WeekField("change", "", "what changed since the week before; null: not enough to tell"),
        WeekField("suggestions", "", "at most three, the greatest trouble first; often none"),
    ),
    "a tally": (
        WeekField("count", "notes", "how many"),
        WeekField("landed", "notes", "in tune from the first moment"),
        WeekField("rescued", "notes", "not at first, but the ear brought it in"),
        WeekField("missed", "notes", "out of tune to the end"),
        WeekField("landed_interval_95", "", "95 % interval of the landed share, 0 to 1 (Wilson)"),
        WeekField("few", "", "whether these are too few to say much: fewer than eight"),
        WeekField("typical_cents", "cents", "median landing error, sharp or long positive"),
        WeekField("spread_cents", "cents", "median distance from the typical error"),
        WeekField("side", "", "flat or sharp, of a movement short or long; null under 3 cents"),
    ),
    "a comparison": (
        WeekField("this", "", "a tally of this week"),
        WeekField("before", "", "a tally of the week before"),
    ),
    "a note, beside its tally": (
        WeekField("note", "", "scientific pitch"),
        WeekField("like_for_like", "", _COMPARED),
    ),
    "a movement, beside its tally": (
        WeekField(
            "shift",
            "",
            "its two notes, such as B3→G4; called by its kind: also `slide_move` or `leap`",
        ),
        WeekField("likely", "", "mean probability that hand or slide moved, 0 to 1"),
        WeekField("like_for_like", "", _COMPARED),
    ),
    "with the drone beside without it": (
        WeekField("with_drone", "", "a tally of all notes with the drone"),
        WeekField("without", "", "a tally of all notes without it"),
        WeekField("same_notes_with_drone", "", "a tally of the notes that were played both ways"),
        WeekField("same_notes_without", "", "a tally of the same notes without it"),
    ),
    "a sitting": (
        WeekField("sitting", "", "the sitting"),
        WeekField("notes", "notes", "how many were heard"),
        WeekField("too_short", "notes", "too short to hear a landing"),
        WeekField("notes_a_minute", "1/min", "how fast it was played; null: too few to tell"),
    ),
    "an open string": (
        WeekField("sitting", "", "the sitting"),
        WeekField("string", "", "scientific pitch"),
        WeekField("found_cents", "cents", "how far off before it was tuned; null: not tuned"),
        WeekField("left_cents", "cents", "how far off after it was tuned; null: not tuned"),
        WeekField("notes", "notes", "later ones that may be this string"),
        WeekField("typical_cents", "cents", "their median distance from where it is right"),
        WeekField("spread_cents", "cents", "their median distance from that"),
        WeekField("few", "", "whether these are too few to say much: fewer than eight"),
    ),
    "a drone, beside its tally": (
        WeekField("drone", "", "its pitch class, such as A, in any octave"),
        WeekField("calls", "notes", "that were called while it sounded"),
        WeekField("calls_that_agree", "notes", "of these, with the landing"),
    ),
    "what changed": (
        WeekField("meaning", "", "what it means, in a word; or: not enough to tell"),
        WeekField("landed", "", "a difference of the landed share"),
        WeekField("rescued", "", "a difference of the rescued share"),
        WeekField("notes", "notes", "how many could be compared, before and after"),
        WeekField("sittings", "", "in how many sittings they were, before and after"),
    ),
    "a difference": (
        WeekField("before", "", "the share of the week before, 0 to 1, like for like"),
        WeekField("after", "", "the share of this week, weighted alike"),
        WeekField("difference_interval_95", "", "95 % interval of after less before"),
        WeekField("verdict", "", "more or fewer; where the interval holds 0: not enough to tell"),
    ),
    "a suggestion, beside its tally": (
        WeekField("kind", "", "to one side, anywhere, or without the drone"),
        WeekField("about", "", "the note, or the two notes of a movement; null: all notes"),
        WeekField("on_one_side", "notes", "how many landed on the side of most"),
        WeekField("sign_test", "", "chance of sides as uneven as these where there is no side"),
        WeekField("with_drone", "", "a tally of the same notes with the drone, or null"),
        WeekField("clearest_drone", "", "pitch class of the drone over which most landed, or null"),
        WeekField("landed_over_it", "notes", "that landed over it, or null"),
        WeekField("count_over_it", "notes", "that were played over it, or null"),
    ),
}


def week_document() -> str:
    """Return what every field means, as Markdown."""
    parts = [_HEAD]
    for group, fields in WEEK_FIELDS.items():
        parts.append(f"### {group}\n\n| field | unit | meaning |\n|---|---|---|")
        parts += [f"| `{field.name}` | {field.unit} | {field.meaning} |" for field in fields]
        parts.append("")
    return "\n".join(parts)


_HEAD = """
## The week as JSON

`/week.json` has the numbers of the week's page, unrounded; it takes the same switches in its
address. From `web/week_fields.py`.
"""
