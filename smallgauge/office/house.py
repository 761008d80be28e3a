"""What the shop has settled about film in the house, in `shop.toml` on the shelf: who lifts holds, and what may run where.

    [holds]                     who may lift a hold that a rule places
    lifter = "Jo Bell"          where no other is named
    mould = "Ines Vogt"         for one reason: a name of `triage.REASONS`
    private_rule = "Close the can, say nothing, ring Ines Vogt."

    [transports.sprocketless]   one table a transport, as its maker and the shop's own trials have it
    gauges = ["super-8", "standard-8", "16mm"]
    most_shrinkage = "2.0"      per cent; leave out what the shop sets no limit on
    most_perforation_grade = 4  of the house's grades, 0 to 5
    warped = true               whether it may take film that is cupped, spoked or edge-waved
    brittle = false             whether it may take film that is brittle

Whatever a limit needs and nobody looked at is said: it is never taken for sound.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

from smallgauge.errors import CallerError, MaterialError
from smallgauge.gauge.gauges import GAUGES
from smallgauge.office.place import SHOP_FILE
from smallgauge.office.triage import BY_NAME, REASONS, is_clear, perforation_grade, shrinkage_percent

MAY, MUST_NOT, UNKNOWN = "may run", "must not run", "can't be told"
_LIMITS = ("gauges", "most_shrinkage", "most_perforation_grade", "warped", "brittle")


@dataclass(frozen=True, slots=True, kw_only=True)
class Transport:
    """What the shop states of one transport; None where it states nothing."""

    name: str
    gauges: tuple[str, ...]
    most_shrinkage: Decimal | None = None
    most_perforation_grade: int | None = None
    warped: bool | None = None
    brittle: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Whether a reel may run on a transport, and why not or why that can't be told."""

    transport: str
    says: str
    why: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """As it is shown."""
        return f"{self.transport}: {self.says}{': ' if self.why else ''}{'; '.join(self.why)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """The shop's own rules; a shop that states none names a person with each hold."""

    lifter: str = ""
    lifters: Mapping[str, str] | None = None  # reason -> person
    private_rule: str = ""
    transports: tuple[Transport, ...] = ()

    def names(self) -> tuple[str, ...]:
        """Everybody whom the shop names to lift holds; empty where it names nobody."""
        named = [self.lifter, *(self.lifters or {}).values()]
        return tuple(dict.fromkeys(each for each in named if each))

    def transport_named(self, name: str) -> Transport:
        """A transport that the shop states."""
        found = next((each for each in self.transports if each.name == name), None)
        if found is None:
            known = ", ".join(each.name for each in self.transports) or "none yet"
            raise CallerError(
                f"The transports that the table transports of {SHOP_FILE} states are {known}, found '{name}'; name one of these."
            )
        return found

    def lifter_of(self, reason: str, stated: str = "") -> str:
        """Who may lift a hold for a reason: the person stated with it, or the one whom the shop names.

        Raises
        ------
        CallerError
            Where nobody is named, or somebody whom the shop does not name.
        """
        names = self.names()
        if stated.strip():
            same = [each for each in names if each.casefold() == stated.strip().casefold()]
            if names and not same:
                raise CallerError(
                    f"Holds are lifted by {' or '.join(names)}, as {SHOP_FILE} names them, found '{stated.strip()}'; name one of "
                    f"these, or change {SHOP_FILE}."
                )
            return same[0] if same else stated.strip()
        found = (self.lifters or {}).get(reason, "") or self.lifter
        if not found:
            raise CallerError(
                f"{BY_NAME[reason].why.capitalize() if reason in BY_NAME else 'What forbids running'} makes a hold, and a hold "
                "needs the person in the shop who may lift it; add --lifter NAME, or name lifter in the table holds of "
                f"{SHOP_FILE}."
            )
        return found


def read_house(shelf: Path) -> House:
    """The shop's rules on a shelf; every mistake in them at once."""
    path = shelf / SHOP_FILE
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return House()
    except (OSError, ValueError, RecursionError) as error:
        raise MaterialError(f"{path} must be TOML in UTF-8, but {error}; mend it.") from None
    mistakes: list[str] = []
    holds, transports = (
        _table(document, "holds", mistakes),
        _table(document, "transports", mistakes),
    )
    known = ("lifter", "private_rule", *BY_NAME)
    named = {}
    for key, value in holds.items():
        key = key.replace("_", " ") if key.replace("_", " ") in BY_NAME else key
        if key not in known:
            mistakes.append(f"holds.{key} is not known; it holds {', '.join(known)}")
        elif not isinstance(value, str) or not value.strip() or not value.isprintable():
            mistakes.append(f"holds.{key} must be words in one line, found {value!r}")
        else:
            named[key] = value.strip()
    stated = tuple(
        _transport(name, table, mistakes) for name, table in transports.items() if isinstance(table, dict)
    )
    mistakes += [
        f"transports.{name} must be a table" for name, t in transports.items() if not isinstance(t, dict)
    ]
    if mistakes:
        raise MaterialError(f"{path}: {'; '.join(mistakes)}. Mend these and run the command again.")
    return House(
        lifter=named.get("lifter", ""),
        lifters={each.name: named[each.name] for each in REASONS if each.name in named},
        private_rule=named.get("private_rule", ""),
        transports=stated,
    )


def _table(document: dict[str, Any], name: str, mistakes: list[str]) -> dict[str, Any]:
    table = document.get(name, {})
    if not isinstance(table, dict):
        mistakes.append(f"{name} must be a table")
        return {}
    return table


def _transport(name: str, table: dict[str, Any], mistakes: list[str]) -> Transport:
    where = f"transports.{name}"
    mistakes += [
        f"{where}.{key} is not known; it holds {', '.join(_LIMITS)}" for key in table if key not in _LIMITS
    ]
    keys = [gauge.key for gauge in GAUGES]
    gauges = table.get("gauges", [])
    if not isinstance(gauges, list) or not gauges or any(each not in keys for each in gauges):
        mistakes.append(f"{where}.gauges must be a list of {', '.join(keys)}, found {gauges!r}")
        gauges = []
    shrinkage = None
    if "most_shrinkage" in table:
        try:
            shrinkage = Decimal(str(table["most_shrinkage"]))
        except InvalidOperation:
            shrinkage = Decimal(-1)
        if not (shrinkage.is_finite() and 0 <= shrinkage <= 10):
            mistakes.append(
                f"{where}.most_shrinkage must be per cent of 0 to 10, found {table['most_shrinkage']!r}"
            )
    grade = table.get("most_perforation_grade")
    if grade is not None and (isinstance(grade, bool) or not isinstance(grade, int) or not 0 <= grade <= 5):
        mistakes.append(f"{where}.most_perforation_grade must be a whole number of 0 to 5, found {grade!r}")
    for key in ("warped", "brittle"):
        if not isinstance(table.get(key, True), bool):
            mistakes.append(f"{where}.{key} must be true or false, found {table[key]!r}")
    return Transport(
        name=name,
        gauges=tuple(gauges),
        most_shrinkage=shrinkage,
        most_perforation_grade=grade,
        warped=table.get("warped"),
        brittle=table.get("brittle"),
    )


def may_run(
    transport: Transport, *, gauge: str, condition: Mapping[str, str], held: tuple[str, ...] = ()
) -> Verdict:
    """Whether a reel may run on a transport; `condition` leaves out what was not looked at, `held` says why the film is held."""
    against = [f"it is held: {why}" for why in held]
    unknown = []
    if gauge == "not sure":
        unknown.append("its gauge is not sure")
    elif gauge not in transport.gauges:
        against.append(f"it takes {', '.join(transport.gauges)}, and this is {gauge}")
    if transport.most_shrinkage is not None:
        if "shrinkage" not in condition:
            unknown.append("shrinkage was not looked at")
        elif (most := shrinkage_percent(condition["shrinkage"])[1]) > transport.most_shrinkage:
            against.append(
                f"it takes film shrunk by {transport.most_shrinkage} % at most, and this may be {most} %"
            )
    if transport.most_perforation_grade is not None:
        if "perforations" not in condition:
            unknown.append("perforations were not looked at")
        else:
            seen = condition["perforations"]
            grade = 0 if is_clear(seen) else perforation_grade(seen)
            if grade > transport.most_perforation_grade:
                against.append(
                    f"it takes perforations of grade {transport.most_perforation_grade} at most, and these are {grade}"
                )
    _bent(transport, condition, against, unknown)
    if against:
        return Verdict(transport=transport.name, says=MUST_NOT, why=tuple(against))
    return Verdict(transport=transport.name, says=UNKNOWN if unknown else MAY, why=tuple(unknown))


def _bent(transport: Transport, condition: Mapping[str, str], against: list[str], unknown: list[str]) -> None:
    if transport.warped is False:
        if "warp" not in condition:
            unknown.append("warp was not looked at")
        elif not is_clear(condition["warp"]) and not condition["warp"].casefold().startswith("flat"):
            against.append(f"it takes flat film, and this is {condition['warp']}")
    if transport.brittle is False:
        if "brittleness" not in condition:
            unknown.append("brittleness was not looked at")
        elif not is_clear(condition["brittleness"]) and not condition["brittleness"].casefold().startswith(
            ("supple", "not brittle")
        ):
            against.append(f"it takes supple film, and this is {condition['brittleness']}")
