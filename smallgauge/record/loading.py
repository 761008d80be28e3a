"""How the film was loaded, and what that makes of its frames.

Loading            half turn, mirror, running order: the value of the decision on loading
loading_of         the treatment -> the loading in force
loading_stated     what the operator wrote in `capture.toml` -> the loading, and what of it is not told
loading_of_half    one of the two films of unslit double 8 -> its loading
in_running_order   the frame table -> its film positions and scenes counted from the head
film_in_running_order   the film's paper -> its film frames and feet counted from the head

Tables and papers of the analysis count in the order in which the capture ran, and stay as they are. What comes
after a decision counts from the head of the roll: docs/decisions/0094.
"""

from dataclasses import asdict, dataclass, replace

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.gauge.rates import feet_from_frames
from smallgauge.picture.completeness import Ledger
from smallgauge.picture.damage_record import DamageRecord
from smallgauge.picture.resample import Move
from smallgauge.record.capture import Capture
from smallgauge.record.filmstate import FilmState
from smallgauge.record.reel import Half
from smallgauge.record.table import Table
from smallgauge.record.treatment import Treatment

HEAD_FIRST, TAIL_FIRST, FLIPPED, UPSIDE_DOWN = "head first", "tail first", "flipped", "upside down"
OTHER_SIDE = {"left": "right", "right": "left"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Loading:
    """What puts the captured frames right: a half turn, a mirror (left for right), the order turned round.

    Film that ran tail first stands on its head and runs backwards; film that lay on its other face is mirrored.
    """

    turn: int = 0  # degrees: 0 or 180
    mirror: bool = False
    backwards: bool = False

    def value(self) -> dict[str, object]:
        """The value of a decision."""
        return asdict(self)

    @property
    def words(self) -> str:
        """As an operator says it.

        Examples
        --------
        >>> Loading(turn=180, backwards=True).words, Loading(turn=180).words
        ('tail first', 'head first, upside down')
        """
        said = [TAIL_FIRST if self.backwards else HEAD_FIRST]
        said += [FLIPPED] if self.mirror else []
        said += [UPSIDE_DOWN] if (self.turn == 180) != self.backwards else []
        return ", ".join(said)

    def move(self, width: int, height: int) -> Move:
        """From a finished pixel to that of the same picture as it was captured.

        Examples
        --------
        >>> Loading(turn=180, backwards=True).move(640, 480).place(0.0, 0.0)
        (639.0, 479.0)
        """
        turned = self.turn == 180
        x, y = (-1.0 if turned != self.mirror else 1.0), (-1.0 if turned else 1.0)
        return Move(a=x, c=width - 1.0 if x < 0 else 0.0, e=y, f=height - 1.0 if y < 0 else 0.0)


AS_CAPTURED = Loading()


def parse_loading(text: str) -> Loading:
    """The loading from an operator's words, parted by commas.

    Raises
    ------
    CallerError
        For a word that is none of the four, or both ends first.

    Examples
    --------
    >>> parse_loading("tail first, flipped")
    Loading(turn=180, mirror=True, backwards=True)
    """
    said = [" ".join(word.split()) for word in text.split(",")]
    known = (HEAD_FIRST, TAIL_FIRST, FLIPPED, UPSIDE_DOWN)
    if not all(word in known for word in said) or {HEAD_FIRST, TAIL_FIRST} <= set(said):
        raise CallerError(
            f"loading needs '{HEAD_FIRST}' or '{TAIL_FIRST}' and, after commas, '{FLIPPED}' (mirrored) or '{UPSIDE_DOWN}' "
            f"where the picture is, found '{text}'."
        )
    backwards = TAIL_FIRST in said
    return Loading(
        turn=180 if backwards != (UPSIDE_DOWN in said) else 0, mirror=FLIPPED in said, backwards=backwards
    )


def loading_of(treatment: Treatment) -> Loading:
    """The loading in force; as captured where nothing was decided."""
    entry = treatment.find("loading")
    if entry is None or entry.decision.value is None:
        return AS_CAPTURED
    return loading_from(entry.decision.value)


def loading_from(value: dict[str, object]) -> Loading:
    """The loading that a decision's value holds; CallerError where it holds none."""
    turn, mirror, backwards = (value.get(key) for key in ("turn", "mirror", "backwards"))
    if turn not in (0, 180) or not isinstance(mirror, bool) or not isinstance(backwards, bool):
        raise CallerError(f"loading needs turn 0 or 180, mirror and backwards true or false, found {value}.")
    return Loading(turn=180 if turn == 180 else 0, mirror=mirror, backwards=backwards)


def side_seen(capture: Capture) -> str:
    """Side of the captured picture on which its one row of perforations lies; "" with two rows, one between, or none."""
    survey = capture.survey
    rows = gauge_named(capture.gauge).rows
    if survey is None or rows not in (("left",), ("right",)) or len(survey.rows) != 1:
        return ""
    return OTHER_SIDE.get(survey.picture_side, "")


def loading_stated(capture: Capture, *, direction: int = 0) -> tuple[Loading | None, str, bool]:
    """What the operator wrote in `capture.toml` makes of the loading, why, and whether the face is told too.

    None where nothing was stated. The face follows from `emulsion` and `emulsion_usual`, else from the side of the
    perforations: a picture that is mirrored, or stands on its head, shows them on the other side, and on the usual side
    with both. `direction` is -1 where the next frame lies above on the film: then film that ran head first stands on its head.
    """
    notes = capture.notes
    faces = notes.emulsion is not None and notes.emulsion_usual is not None
    if notes.loaded is None and not faces:
        return None, "", False
    backwards = notes.loaded == "tail"
    on_its_head = backwards != (direction < 0)
    loading = Loading(turn=180 if on_its_head else 0, backwards=backwards)
    said = [f"{notes.loaded} first" if notes.loaded else "head first, as nothing else was stated"]
    seen, usual = side_seen(capture), notes.perforation_side
    by_side = (seen != usual) != on_its_head if seen and usual else None
    if faces:
        mirror = notes.emulsion != notes.emulsion_usual
        said.append(f"emulsion {notes.emulsion}, usually {notes.emulsion_usual}")
        if by_side not in (None, mirror):
            said.append(
                f"but the perforations lie on the {seen}, usually on the {usual}, which does not agree"
            )
        return replace(loading, mirror=mirror), "; ".join(said), by_side in (None, mirror)
    if by_side is None:
        return (
            loading,
            "; ".join([*said, "nothing tells which face lay up, so the picture is not mirrored"]),
            False,
        )
    said.append(f"perforations on the {seen}, usually on the {usual}")
    return replace(loading, mirror=by_side), "; ".join(said), True


def loading_of_half(half: Half) -> Loading:
    """The loading of one of the two films of unslit double 8, which were exposed one after the other and run opposite ways.

    Upright and not mirrored, standard 8 has its perforations on the left; film 1 has them there in the capture, film 2 on
    the right. So film 2 stands on its head and runs backwards, whichever end of the roll came first; of a roll that was
    flipped it is film 1 that does.

    Examples
    --------
    >>> from smallgauge.media.frame import Region
    >>> part = Region(left=320, top=0, width=320, height=200, of_width=640, of_height=200)
    >>> loading_of_half(Half(film=2, capture="", capture_digest="", region=part)).words
    'tail first'
    """
    turned = (half.film == 2) != half.mirror
    return Loading(turn=180 if turned else 0, mirror=half.mirror, backwards=turned)


def in_running_order(frames: Table, loading: Loading) -> Table:
    """The frame table with film positions and scenes counted from the head of the roll; rows stay where they are."""
    if not loading.backwards or not len(frames):
        return frames
    place, scene = frames["film_position"], frames["scene"]
    turned = {"film_position": place.max() - place, "scene": scene.max() - scene}
    return replace(frames, values={**frames.values, **turned})


def film_in_running_order(state: FilmState, capture: Capture, loading: Loading) -> FilmState:
    """The film's paper with film frames, perforations and feet counted from the head; captured frames keep their numbers."""
    if not loading.backwards:
        return state
    frames = state.ledger.film_frames
    splices = tuple(replace(s, film_position=frames - s.film_position) for s in reversed(state.splices))
    return replace(
        state,
        ledger=_ledger_turned(state.ledger),
        splices=splices,
        damage=_damage_turned(state.damage, capture, frames) if state.damage is not None else None,
    )


def _ledger_turned(ledger: Ledger) -> Ledger:
    frames = ledger.film_frames
    runs = tuple(
        replace(run, film_first=frames - run.film_stop, film_stop=frames - run.film_first)
        for run in reversed(ledger.runs)
    )
    return replace(ledger, runs=runs)


def _damage_turned(damage: DamageRecord, capture: Capture, frames: int) -> DamageRecord:
    """Runs of damaged perforations from the other end.

    Perforation n stands beside the middle of film frame n, or on the frame line before it, which is the line after
    it once the order is turned round.
    """
    gauge = gauge_named(capture.gauge)
    last = frames - 1 if gauge.holes_at == "mid-frame" else frames
    runs = tuple(
        replace(
            run,
            first=last + 1 - run.stop,
            stop=last + 1 - run.first,
            first_feet=feet_from_frames(gauge, last + 1 - run.stop),
        )
        for run in reversed(damage.runs)
    )
    grades = tuple((last - number, grade) for number, grade in reversed(damage.grades))
    return replace(damage, runs=runs, grades=grades)
