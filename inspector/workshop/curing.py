"""How pours cure and what that makes of their pieces: temperatures, wet cure, break tests, equivalent age, strength."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from inspector import log
from inspector.curing import (
    BreakTestFit,
    CementClass,
    HandTest,
    PressTest,
    StrengthCurve,
    TemperatureHistory,
    check_strength,
    check_temperature,
    constant_temperature,
    en_curve,
    equivalent_age_at_constant_h,
    equivalent_age_h,
    fit_break_tests,
    read_logger_csv,
    strength_band,
    strength_fraction,
    temperature_from_readings,
    temperature_warnings,
)
from inspector.errors import InputError
from inspector.log import (
    BREAK_WORDS,
    BreakTest,
    BreakWord,
    ExpectedTemperature,
    NearestPours,
    Piece,
    PieceDemolding,
    PourCure,
    TemperatureReading,
    TemperatureRecord,
)
from inspector.workshop.times import with_offset

__all__ = [
    "ASSUMED_DEGC",
    "CorrectedTests",
    "Curing",
    "DemoldStrength",
    "Forecast",
    "KeptTemperature",
    "PieceAge",
    "PieceCure",
    "PourTemperature",
    "mix_curve",
    "pour_temperature",
]

# Taken where nobody told how warm it was and none is expected: that of the published formulas.
ASSUMED_DEGC = 20.0
# Where no mix is known: the cement that is sold most (common practice, no source).
_USUAL_CEMENT_CLASS: CementClass = "N"
# Longer than any piece stays on the bench, in hours: beyond it is a slip (common practice, no source).
_LONGEST_AGE_H = 366 * 24.0
# Databases bound the number of values in one query; for more pours all are read.
_MOST_POURS_NAMED = 500


@dataclass(frozen=True, slots=True)
class KeptTemperature:
    """A temperature record that is now in the log."""

    record: TemperatureRecord
    notes: tuple[str, ...]
    """What a caster should know: frost, heat, hours that no reading covers."""


@dataclass(frozen=True, slots=True)
class PourTemperature:
    """How warm a pour was, and will be."""

    history: TemperatureHistory
    assumed: bool
    """Nobody told: the expected temperature is taken, or 20 degC."""


@dataclass(frozen=True, slots=True)
class CorrectedTests:
    """Break tests of one mix, at their ages corrected to 20 degC."""

    press: tuple[PressTest, ...] = ()
    hand: tuple[HandTest, ...] = ()


@dataclass(frozen=True, slots=True)
class _KnownStrengths:
    """What break tests tell of the mixes, by mix, and the mark of what from."""

    mark: tuple[int, ...]
    tests: Mapping[str, CorrectedTests]
    fits: Mapping[str, BreakTestFit]


@dataclass(frozen=True, slots=True)
class PieceAge:
    """How old and how strong a piece was when it left its mold."""

    piece_id: int
    mold: str
    pour_id: int
    mix: str | None
    demolded_at: datetime
    demold_age_h: float
    equivalent_age_h: float
    """Corrected to 20 degC. [h]"""
    strength_fraction: float
    """Of the 28-day strength, by the curve of its mix; in a closed mold a piece stays moist. [-]"""
    wet_until_h: float | None
    """Age until which it was kept wet, by its own word or its pour's. [h]"""
    temperature_assumed: bool

    @property
    def poured_at(self) -> datetime:
        """When its pour was."""
        return self.demolded_at - timedelta(hours=self.demold_age_h)


@dataclass(frozen=True, slots=True)
class DemoldStrength:
    """How old and how strong a piece was when it left its mold, beside the hours."""

    equivalent_age_h: float
    """Corrected to 20 degC. [h]"""
    strength_fraction: float
    """Of the 28-day strength, by the curve of its mix; in a closed mold a piece stays moist. [-]"""
    temperature_assumed: bool


@dataclass(frozen=True, slots=True)
class PieceCure:
    """How one piece cured until it left its mold, and what that is reckoned to have made of it."""

    equivalent_age_h: float
    """Corrected to 20 degC. [h]"""
    strength_fraction: float
    strength_low: float
    strength_high: float
    """Of the 28-day strength, with its 90 % band. [-]"""
    has_break_tests: bool
    """Whether tests of the mix went into that, or its cement alone."""
    mean_degc: float
    coldest_degc: float
    warmest_degc: float
    temperature_assumed: bool
    wet_until_h: float | None
    """Age until which it was kept wet, by its own word or its pour's. [h]"""


@dataclass(frozen=True, slots=True)
class Forecast:
    """How warm the workshop is expected to be, from several times on."""

    expected: tuple[ExpectedTemperature, ...]
    """By the time from which they hold, one a time."""

    def degc_at(self, at: datetime) -> float | None:
        """Give what is expected at a time; before the first, that one; None where nothing is expected."""
        if not self.expected:
            return None
        past = [item for item in self.expected if item.from_at <= at]
        return (past[-1] if past else self.expected[0]).temperature_degc


class Curing:
    """What the log knows about curing, and what follows from it.

    Parameters
    ----------
    opened : Log
        An open log, which stays open.
    """

    def __init__(self, opened: log.Log) -> None:
        self._log = opened
        self._known: _KnownStrengths | None = None

    # Temperatures

    def add_temperature(self, pour_id: int, temperature_degc: float, *, at: datetime | None = None) -> KeptTemperature:
        """Write down how warm a pour was: at one time, or, without a time, all the while."""
        check_temperature(temperature_degc)
        if at is None:
            record = log.add_constant_temperature(
                self._log, pour_id=pour_id, temperature_degc=temperature_degc, source="typed"
            )
        else:
            reading = TemperatureReading(at=with_offset(at), temperature_degc=temperature_degc)
            record = log.add_temperature_readings(self._log, pour_id=pour_id, readings=[reading], source="typed")
        return KeptTemperature(record=record, notes=temperature_warnings([temperature_degc]))

    def import_temperatures(self, data: bytes, *, name: str, pour_id: int) -> KeptTemperature:
        """Take in what a logger wrote about a pour, all or nothing.

        Raises
        ------
        InputError
            If there is no such pour, a line makes no sense, or all of it lies before the pour.
        """
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = data[: error.start].count(b"\n") + 1
            raise InputError(f"{name}, line {line}: it is not UTF-8. Export the file again as CSV, UTF-8.") from error
        cure = log.find_pour_cure(self._log, pour_id)
        readings = [
            TemperatureReading(at=with_offset(reading.at), temperature_degc=reading.temperature_degc)
            for reading in read_logger_csv(text, name=name)
        ]
        if readings[-1].at <= cure.poured_at:
            raise InputError(
                f"{name} ends at {readings[-1].at:%Y-%m-%d %H:%M %z}, before pour {pour_id} at "
                f"{cure.poured_at:%Y-%m-%d %H:%M %z}. Check the clock of the logger and the number of the pour."
            )
        record = log.add_temperature_readings(self._log, pour_id=pour_id, readings=readings, source=name)
        notes = list(temperature_warnings([reading.temperature_degc for reading in readings]))
        late_h = (readings[0].at - cure.poured_at).total_seconds() / 3600
        if late_h > 0:
            notes.insert(
                0,
                f"The readings begin {late_h:.1f} h after the pour: until then the first one, "
                f"{readings[0].temperature_degc:g} degC, is taken.",
            )
        return KeptTemperature(record=record, notes=tuple(notes))

    def temperatures(self, pour_id: int) -> tuple[TemperatureRecord, ...]:
        """List what was written down about a pour's temperature, withdrawn records among it."""
        return log.list_temperatures(self._log, pour_id)

    def withdraw_temperature(self, record_id: int, *, why: str) -> TemperatureRecord:
        """Let a record count no longer; it stays on record with the reason."""
        return log.withdraw_temperature(self._log, record_id, why=_reason(why))

    def expect_temperature(self, temperature_degc: float, *, from_at: datetime) -> ExpectedTemperature:
        """Write down how warm the workshop is expected to be from a time on."""
        check_temperature(temperature_degc)
        return log.add_expected_temperature(self._log, temperature_degc=temperature_degc, from_at=with_offset(from_at))

    def forecast(self) -> Forecast:
        """Give what temperatures are expected."""
        latest = {item.from_at: item for item in log.list_expected_temperatures(self._log)}
        return Forecast(tuple(latest.values()))

    # Wet cure and break tests

    def add_wet_cure(self, *, until_h: float, pour_id: int | None = None, piece_id: int | None = None) -> None:
        """Write down until which age a pour, or one piece, was kept wet."""
        if (pour_id is None) == (piece_id is None):
            raise InputError("Say either which pour or which piece was kept wet.")
        if not 0 <= until_h <= _LONGEST_AGE_H:
            raise InputError(f"A wet cure until {until_h:g} h cannot be. Give hours from the pour on, 0 or more.")
        log.add_wet_cure(self._log, pour_id=pour_id, piece_id=piece_id, until_h=until_h)

    def wet_until_h(self, pour_id: int) -> float | None:
        """Give the age until which a pour was kept wet; None where nobody said. [h]"""
        return log.find_pour_cure(self._log, pour_id).wet_until_h

    def add_pour_break_test(
        self,
        pour_id: int,
        *,
        tested_at: datetime,
        strength_mpa: float | None = None,
        word: BreakWord | None = None,
        note: str = "",
    ) -> BreakTest:
        """Write down a test of a scrap of a pour: either MPa or a word."""
        _check_result(strength_mpa, word)
        return log.add_pour_break_test(
            self._log,
            pour_id=pour_id,
            tested_at=with_offset(tested_at),
            strength_mpa=strength_mpa,
            word=word,
            note=note.strip(),
        )

    def add_mix_break_test(
        self,
        mix: str,
        *,
        age_h: float,
        tested_at: datetime,
        cure_degc: float = ASSUMED_DEGC,
        strength_mpa: float | None = None,
        word: BreakWord | None = None,
        note: str = "",
    ) -> BreakTest:
        """Write down a test of a mix by itself, kept moist at one temperature: either MPa or a word."""
        _check_result(strength_mpa, word)
        check_temperature(cure_degc)
        if not 0 < age_h <= 10 * _LONGEST_AGE_H:
            raise InputError(f"A break test at an age of {age_h:g} h cannot be. Give hours since the mix was made.")
        return log.add_mix_break_test(
            self._log,
            mix=mix,
            tested_at=with_offset(tested_at),
            age_h=age_h,
            cure_degc=cure_degc,
            strength_mpa=strength_mpa,
            word=word,
            note=note.strip(),
        )

    def break_tests(self, *, mix: str | None = None) -> tuple[BreakTest, ...]:
        """List break tests, withdrawn ones among them, all or those of one mix."""
        if mix is not None:
            log.find_mix(self._log, mix)
        tests = log.list_break_tests(self._log, with_withdrawn=True)
        return tuple(test for test in tests if mix in (None, test.mix))

    def pour_break_tests(self, pour_id: int) -> tuple[BreakTest, ...]:
        """List the break tests of a pour, withdrawn ones among them."""
        return log.list_break_tests(self._log, with_withdrawn=True, pour_id=pour_id)

    def withdraw_break_test(self, test_id: int, *, why: str) -> BreakTest:
        """Let a test count no longer; it stays on record with the reason."""
        return log.withdraw_break_test(self._log, test_id, why=_reason(why))

    # What follows

    def mix_strength(self, mix: str) -> BreakTestFit:
        """Tell how a mix gains strength: by its cement, moved by its break tests."""
        log.find_mix(self._log, mix)
        return self.mix_strengths()[mix]

    def corrected_tests(self, mix: str) -> CorrectedTests:
        """Give the break tests of a mix that count, at their ages corrected to 20 degC."""
        return self._known_strengths().tests[mix]

    def mix_strengths(self) -> Mapping[str, BreakTestFit]:
        """Tell how each mix gains strength, by mix; worked out anew once something was added that it depends on."""
        return self._known_strengths().fits

    def _known_strengths(self) -> "_KnownStrengths":
        mark = log.strength_mark(self._log)
        if self._known is None or self._known.mark != mark:
            tests: dict[str, list[BreakTest]] = defaultdict(list)
            for test in log.list_break_tests(self._log, with_withdrawn=False):
                if test.mix is not None:
                    tests[test.mix].append(test)
            temperatures = self._temperatures_of([test for of_mix in tests.values() for test in of_mix])
            mixes = log.list_mixes(self._log)
            corrected = {mix.name: _corrected(tests.get(mix.name, ()), temperatures) for mix in mixes}
            fits = {
                mix.name: fit_break_tests(
                    en_curve(mix.cement_class), press=corrected[mix.name].press, hand=corrected[mix.name].hand
                )
                for mix in mixes
            }
            self._known = _KnownStrengths(mark=mark, tests=corrected, fits=fits)
        return self._known

    def piece_ages(
        self,
        *,
        mold: str | None = None,
        since: datetime | None = None,
        pours: NearestPours | None = None,
        strengths: Mapping[str, BreakTestFit] | None = None,
    ) -> tuple[PieceAge, ...]:
        """Tell how old and how strong pieces were at demolding, in order of time, where pour and time are known.

        Parameters
        ----------
        mold : str, optional
            Only its pieces.
        since : datetime, optional
            Only those that left it from then on.
        pours : NearestPours, optional
            Only pieces of these pours into the mold.
        strengths : mapping, optional
            What `mix_strengths` gave, where it was asked for already.
        """
        demoldings = log.list_piece_demoldings(self._log, mold=mold, since=since, pours=pours)
        # Of most pours one temperature is all that is known; how the others went is read.
        of_others = {item.pour_id for item in demoldings if item.has_readings or item.constant_degc is None}
        forecast = self.forecast()
        if len(of_others) <= _MOST_POURS_NAMED:
            cures = log.list_pour_cures(self._log, pour_ids=of_others)
        else:
            cures = log.list_pour_cures(self._log, mold=mold)
        temperatures = {cure.pour_id: pour_temperature(cure, forecast) for cure in cures if cure.pour_id in of_others}
        return _piece_ages(demoldings, temperatures, self.mix_strengths() if strengths is None else strengths)

    def demold_strengths(self, pieces: Sequence[Piece]) -> dict[int, DemoldStrength]:
        """Tell how old and strong some pieces were at demolding, by piece, where pour and time are known."""
        of_pours: dict[int, list[Piece]] = defaultdict(list)
        for piece in pieces:
            if piece.pour_id is not None and piece.demold_age_h is not None:
                of_pours[piece.pour_id].append(piece)
        if not of_pours:
            return {}
        forecast, strengths = self.forecast(), self.mix_strengths()
        found: dict[int, DemoldStrength] = {}
        wanted = of_pours.keys() if len(of_pours) <= _MOST_POURS_NAMED else None
        for cure in log.list_pour_cures(self._log, pour_ids=wanted):
            temperature = pour_temperature(cure, forecast)
            for piece in of_pours.get(cure.pour_id, ()):
                aged_h = float(equivalent_age_h(temperature.history, piece.demold_age_h or 0.0))
                found[piece.id] = DemoldStrength(
                    equivalent_age_h=aged_h,
                    strength_fraction=float(strength_fraction(mix_curve(cure.mix, strengths), aged_h)),
                    temperature_assumed=temperature.assumed,
                )
        return found

    def piece_cure(self, piece: Piece) -> PieceCure | None:
        """Tell how a piece cured until it left its mold, where pour and time are known."""
        if piece.pour_id is None or piece.demold_age_h is None:
            return None
        cure = log.find_pour_cure(self._log, piece.pour_id)
        temperature = pour_temperature(cure, self.forecast())
        history = temperature.history
        until_h = max(piece.demold_age_h, 1e-9)
        within = history.starts_h < until_h
        degc = history.temperature_degc[within]
        hours = np.diff(np.append(history.starts_h[within], until_h))
        aged_h = float(equivalent_age_h(history, piece.demold_age_h))
        band = strength_band(mix_curve(cure.mix, self.mix_strengths()), aged_h)
        tests = CorrectedTests() if cure.mix is None else self.corrected_tests(cure.mix)
        own_wet_h = log.find_piece_wet_until_h(self._log, piece.id)
        return PieceCure(
            equivalent_age_h=aged_h,
            strength_fraction=float(band.fraction),
            strength_low=float(band.low),
            strength_high=float(band.high),
            has_break_tests=bool(tests.press or tests.hand),
            mean_degc=float(np.average(degc, weights=hours)),
            coldest_degc=float(degc.min()),
            warmest_degc=float(degc.max()),
            temperature_assumed=temperature.assumed,
            wet_until_h=cure.wet_until_h if own_wet_h is None else own_wet_h,
        )

    def _temperatures_of(self, tests: Sequence[BreakTest]) -> dict[int, PourTemperature]:
        """Tell how warm the pours were that tests are of."""
        pour_ids = {test.pour_id for test in tests if test.pour_id is not None}
        forecast = self.forecast()
        return {
            cure.pour_id: pour_temperature(cure, forecast) for cure in log.list_pour_cures(self._log, pour_ids=pour_ids)
        }


def pour_temperature(cure: PourCure, forecast: Forecast) -> PourTemperature:
    """Tell how warm a pour was and will be: by its readings, else its constant, else what is expected.

    After the last reading its constant holds, else what was expected then, else that reading.
    """
    if cure.readings:
        last_at = cure.readings[-1].at
        then_degc = cure.constant_degc if cure.constant_degc is not None else forecast.degc_at(last_at)
        history = temperature_from_readings(
            [_hours(reading.at - cure.poured_at) for reading in cure.readings],
            [reading.temperature_degc for reading in cure.readings],
            then_degc=then_degc,
        )
        if cure.constant_degc is None:
            history = _with_forecast(history, forecast, poured_at=cure.poured_at, after=max(last_at, cure.poured_at))
        return PourTemperature(history=history, assumed=False)
    if cure.constant_degc is not None:
        return PourTemperature(history=constant_temperature(cure.constant_degc), assumed=False)
    expected_degc = forecast.degc_at(cure.poured_at)
    history = constant_temperature(ASSUMED_DEGC if expected_degc is None else expected_degc)
    history = _with_forecast(history, forecast, poured_at=cure.poured_at, after=cure.poured_at)
    return PourTemperature(history=history, assumed=True)


def _with_forecast(
    history: TemperatureHistory, forecast: Forecast, *, poured_at: datetime, after: datetime
) -> TemperatureHistory:
    """Let a history go on as it is expected to, from the changes after a time on."""
    later = {item.from_at: item.temperature_degc for item in forecast.expected[1:] if item.from_at > after}
    return TemperatureHistory(
        starts_h=np.append(history.starts_h, [_hours(at - poured_at) for at in later]),
        temperature_degc=np.append(history.temperature_degc, list(later.values())),
    )


def mix_curve(mix: str | None, strengths: Mapping[str, BreakTestFit]) -> StrengthCurve:
    """Give the curve of a mix; that of normal cement where it is not known."""
    return en_curve(_USUAL_CEMENT_CLASS) if mix is None else strengths[mix].curve


def _piece_ages(
    demoldings: Sequence[PieceDemolding],
    temperatures: Mapping[int, PourTemperature],
    strengths: Mapping[str, BreakTestFit],
) -> tuple[PieceAge, ...]:
    """Work out the ages of pieces; `temperatures` are of the pours that had more than one constant temperature."""
    age_h = np.array([_hours(item.demolded_at - item.poured_at) for item in demoldings])
    of_pieces = [temperatures.get(item.pour_id) for item in demoldings]
    # The last one holds for good: of most pours, the only one. Worked out together, since a mold has thousands.
    constant_degc = [
        item.constant_degc if temperature is None else temperature.history.temperature_degc[-1]
        for item, temperature in zip(demoldings, of_pieces, strict=True)
    ]
    aged_h = equivalent_age_at_constant_h(np.array(constant_degc, dtype=float), age_h)
    rows_of_mix: dict[str | None, list[int]] = defaultdict(list)
    for row, (item, temperature) in enumerate(zip(demoldings, of_pieces, strict=True)):
        rows_of_mix[item.mix].append(row)
        if temperature is not None and len(temperature.history.starts_h) > 1:
            aged_h[row] = equivalent_age_h(temperature.history, age_h[row])
    fractions = np.empty(len(demoldings))
    for mix, rows in rows_of_mix.items():
        fractions[rows] = strength_fraction(mix_curve(mix, strengths), aged_h[rows])
    return tuple(
        PieceAge(
            piece_id=item.piece_id,
            mold=item.mold,
            pour_id=item.pour_id,
            mix=item.mix,
            demolded_at=item.demolded_at,
            demold_age_h=demold_age_h,
            equivalent_age_h=equivalent_h,
            strength_fraction=fraction,
            wet_until_h=item.wet_until_h,
            temperature_assumed=temperature is not None and temperature.assumed,
        )
        for item, temperature, demold_age_h, equivalent_h, fraction in zip(
            demoldings, of_pieces, age_h.tolist(), aged_h.tolist(), fractions.tolist(), strict=True
        )
    )


def _corrected(tests: Sequence[BreakTest], temperatures: Mapping[int, PourTemperature]) -> CorrectedTests:
    press, hand = [], []
    for test in tests:
        if test.pour_id is not None:
            history = temperatures[test.pour_id].history
        else:
            history = constant_temperature(ASSUMED_DEGC if test.cure_degc is None else test.cure_degc)
        aged_h = float(equivalent_age_h(history, test.age_h))
        if aged_h <= 0:
            continue  # frozen from the pour on: nothing was to be learned
        if test.strength_mpa is not None:
            press.append(PressTest(aged_h, test.strength_mpa))
        elif test.word is not None:
            hand.append(HandTest(aged_h, test.word))
    return CorrectedTests(press=tuple(press), hand=tuple(hand))


def _check_result(strength_mpa: float | None, word: str | None) -> None:
    if (strength_mpa is None) == (word is None):
        raise InputError("A break test has either a press result in MPa or a word. Give one of them.")
    if strength_mpa is not None:
        check_strength(strength_mpa)
    if word is not None and word not in BREAK_WORDS:
        raise InputError(f"{word!r} is no word for a break test. Use one of: {', '.join(BREAK_WORDS)}.")


def _reason(why: str) -> str:
    if not (stripped := why.strip()):
        raise InputError("Say why it is withdrawn; the reason stays on record.")
    return stripped.rstrip(".")


def _hours(span: timedelta) -> float:
    return span.total_seconds() / 3600
