"""A key of the settings file: its type and rule, and what is said where somebody misses them.

The keys are read from the annotations of dataclasses, a dataclass for each table of the file.
"""

import difflib
import typing
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Annotated

from appliance.rules import Between, Text
from appliance.vocabulary import SettingsError

# Suffix of a key: its unit in words, and the units people write instead, with their factor.
_UNITS: dict[str, tuple[str, tuple[tuple[str, float], ...]]] = {
    "_s": (" seconds", (("milliseconds", 0.001), ("minutes", 60.0))),
    "_hz": (" Hz", (("kHz", 1000.0),)),
    "_cents": (" cents", ()),
    "_dbfs": (" dBFS", (("dB below full scale", -1.0),)),
    "_dba": (" dBA", ()),
    "_percent": (" percent", ()),
}
_KINDS = {
    int: "a whole number",
    float: "a number",
    str: "text in quotes",
    bool: "true or false, without quotes",
}


@dataclass(frozen=True)
class Key:
    """One key of the file: where it stands, its type and its rule."""

    table: str
    name: str
    kind: type
    rule: Between | Text | None

    @property
    def allowed(self) -> str:
        """What is allowed, in words, with the unit."""
        if isinstance(self.rule, Text):
            return self.rule.allowed
        words = _KINDS[self.kind]
        return f"{words} {self.rule.allowed}{self._unit[0]}" if self.rule else words

    @property
    def _unit(self) -> tuple[str, tuple[tuple[str, float], ...]]:
        return next((unit for end, unit in _UNITS.items() if self.name.endswith(end)), ("", ()))

    def check(self, value: object) -> None:
        """Raise SettingsError unless the value has the right type and keeps the rule."""
        kinds = (int, float) if self.kind is float else (self.kind,)
        right_kind = isinstance(value, kinds) and isinstance(value, bool) is (self.kind is bool)
        if right_kind and (self.rule is None or self.rule.accepts(value)):
            return
        raise SettingsError(
            f"[{self.table}] {self.name} must be {self.allowed}, not {shown(value)}"
            + self._hint(value)
        )

    def _hint(self, value: object) -> str:
        if isinstance(self.rule, Text):
            return _did_you_mean(str(value), self.rule.choices)
        if not isinstance(value, int | float) or isinstance(value, bool) or abs(value) > 1e9:
            return ""  # no number, or too large for any unit
        for unit, factor in self._unit[1]:
            if self.rule and self.rule.accepts(value * factor):
                return f" (if that was {unit}, write {value * factor:g})"
        return ""


Keys = Mapping[str, Mapping[str, Key]]  # by table and name


def keys_of(tables: type) -> Keys:
    """Return every key of every table: the fields of the dataclasses in a dataclass of tables."""
    return {
        table: {
            name: _key(table, name, hint)
            for name, hint in typing.get_type_hints(kind, include_extras=True).items()
        }
        for table, kind in typing.get_type_hints(tables).items()
    }


def _key(table: str, name: str, hint: type) -> Key:
    if typing.get_origin(hint) is Annotated:
        kind, rule = typing.get_args(hint)
        return Key(table, name, kind, rule)
    return Key(table, name, hint, None)


def unknown_table(table: str, tables: Keys) -> SettingsError:
    """Return the error of a table that is not there."""
    for home, keys in tables.items():
        if table in keys:
            return SettingsError(f"{table} stands outside its table: write it below [{home}]")
    return SettingsError(
        f"there is no table [{_printable(table)}]{_did_you_mean(table, tables)}: "
        f"the tables are {', '.join(tables)}"
    )


def unknown_key(table: str, name: str, tables: Keys) -> SettingsError:
    """Return the error of a key that its table does not have."""
    fault = f"[{table}] {_printable(name)} is no setting"
    keys = tables[table]
    for home, others in tables.items():
        if name in others:
            return SettingsError(f"{fault} of this table: write it below [{home}]")
    without_unit = [key for key in keys if key.startswith(f"{name}_")]
    for close in without_unit or difflib.get_close_matches(name, keys, n=1):
        return SettingsError(f"{fault}: did you mean {close}, {keys[close].allowed}?")
    return SettingsError(f"{fault}: the keys of [{table}] are {', '.join(keys)}")


def _did_you_mean(word: str, choices: Iterable[str]) -> str:
    close = difflib.get_close_matches(word, list(choices), n=1)
    return f" (did you mean {close[0]}?)" if close else ""


def _printable(key: str) -> str:
    return key if key.isprintable() else repr(key)


def shown(value: object) -> str:
    """Return a value as its writer would know it, cut short."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int) and value.bit_length() > 64:  # str() refuses thousands of digits
        return "so large a number"
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
