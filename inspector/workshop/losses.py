"""Use cases of losses: when to demold each mold, why pieces are lost, and what another way would change."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from threading import Lock

import numpy as np

from inspector import log
from inspector.curing import BreakTestFit
from inspector.errors import InputError
from inspector.log import MoldPour, MoldSetting, NearestPours, Piece, SisterMold, Window, WindowChange
from inspector.risk import (
    Interval,
    MoldRisk,
    cost_per_good_piece,
    earliest_age,
    interval,
    loss_by_age,
    strength_needed,
    with_change,
)
from inspector.workshop.advice import day_words, share_words
from inspector.workshop.curing import ASSUMED_DEGC, Curing
from inspector.workshop.kept_losses import (
    MoldOutlook,
    SharedLosses,
    mold_outlook,
    months_text,
    nothing_shared,
    read_months,
)
from inspector.workshop.known_losses import (
    LATEST_PIECES,
    KnownMold,
    KnownShop,
    latest_mix,
    learn_mold,
    learn_shared,
    learn_shop,
    mold_estimate,
    of_mold,
    with_latest_mix,
    with_mix,
)
from inspector.workshop.loss_comparison import (
    Comparison,
    MoldChange,
    compare_pieces,
    find_changes,
)
from inspector.workshop.loss_results import (
    ExpectedCure,
    MoldTrends,
    MoldWindow,
    MonthOfLosses,
    Scenario,
    ShopTrends,
    WhatIf,
)
from inspector.workshop.lost import judge_loss
from inspector.workshop.mold_month import MoldMonth, mold_month
from inspector.workshop.mold_trends import condition_effects, mold_trends
from inspector.workshop.mold_windows import (
    AGES_H,
    costs_of,
    differs,
    mold_window,
    strength_by_age,
    to_keep,
    window_history,
)
from inspector.workshop.months import Month
from inspector.workshop.planning import Planning
from inspector.workshop.shop_evidence import KnownPiece, gather_known_pieces

__all__ = ["Losses", "MoldLosses"]

# Of each of two groups that are compared, read in a page. Where a tenth of 600 pieces each is lost, the difference is
# known to 1.645 * sqrt(2 * 0.1 * 0.9 / 600) = 2.8 of a hundred (90 % interval): three more of a hundred show.
_MOST_POURS_COMPARED = 600

# What the molds tell about each other is learnt anew once there are so many more pieces...
_LEARN_ANEW_SHARE = 0.02
# ... and in a page, as long as the log has no more than these: it takes two seconds then. Beyond, `refit` learns it.
_MOST_PIECES_IN_A_PAGE = 20_000
_BEYOND_TRIED = 0.08
# Of so many molds is kept what was worked out last: of a mold with thousands of pieces these are megabytes.
_MOST_MOLDS_KEPT = 20
# Trends of all molds take seconds; within an hour no mold begins to lose more than it did.
_LATE = timedelta(hours=1)


@dataclass(frozen=True, slots=True, eq=False)
class MoldLosses:
    """What is told of one mold at one time."""

    mark: tuple[object, ...]
    """Of what it was worked out from."""
    at: datetime
    pieces: tuple[KnownPiece, ...]
    """Those whose age and outcome are both known, in the order of demolding."""
    window: MoldWindow
    trends: MoldTrends


@dataclass(frozen=True, slots=True)
class _LateWindows:
    """Windows of all molds, when they were worked out, and the mark of what from."""

    mark: tuple[object, ...]
    at: datetime
    windows: tuple[MoldWindow, ...]


@dataclass(frozen=True, slots=True)
class _LateTrends:
    """Trends of all molds, and when they were worked out."""

    at: datetime
    trends: ShopTrends


@dataclass(frozen=True, slots=True)
class _Usual:
    """What windows and trends of any mold are worked out for."""

    settings: Mapping[str, MoldSetting]
    strengths: Mapping[str, BreakTestFit]
    degc: float


class Losses:
    """What the log tells about losses.

    Parameters
    ----------
    opened : Log
        An open log, which stays open.
    curing : Curing
    planning : Planning
        What the same log knows about curing and windows.
    """

    def __init__(self, opened: log.Log, curing: Curing, planning: Planning) -> None:
        self._log = opened
        self._curing = curing
        self._planning = planning
        # What all molds tell about any of them moves slowly: a mold's own pieces are read each time, this is not.
        self._latest: KnownShop | None = None
        self._kept: tuple[int | None, SharedLosses] | None = None
        self._late_trends: _LateTrends | None = None
        self._learning = Lock()
        self._learning_all = Lock()
        self._late_windows: _LateWindows | None = None
        self._late_molds: dict[str, MoldLosses] = {}

    # Windows

    def windows(self, *, now: datetime, cure: ExpectedCure | None = None) -> tuple[MoldWindow, ...]:
        """Work out the windows of all molds, for the cure that is expected or another one."""
        return self._windows(self._known_molds(now), now, cure)

    def refit(self, *, now: datetime) -> tuple[WindowChange, ...]:
        """Learn from all molds anew, keep that for pages and other sites, and write down the windows that changed."""
        sisters = log.list_sister_molds(self._log)
        mixes, usual = log.list_mixes(self._log), self._usual(now)
        shared = learn_shared(self._log, self._curing, now=now, strengths=usual.strengths, sisters=sisters)
        of_designs = log.list_molds_of_designs(self._log)
        outlooks, months, windows, estimates = {}, {}, [], {}
        for mold in log.list_molds(self._log):
            alone = learn_mold(
                self._log, self._curing, mold.name, now=now, shared=shared, strengths=usual.strengths, sisters=sisters
            )
            if mold.name in of_designs:
                estimates[mold.name] = mold_estimate(alone)
            window = self._window(alone, usual, ExpectedCure())
            target_loss = usual.settings[window.mold].target_loss
            needed = {
                "" if mix is None else mix.name: strength_needed(with_mix(alone, mix).risk, target_loss)
                for mix in (None, *mixes)
            }
            trends = _trends(alone, usual)
            outlooks[window.mold] = mold_outlook(window, trends, needed).as_text()
            months[window.mold] = months_text(trends.months)
            windows.append(to_keep(window))
        log.keep_learnt(self._log, shared.as_text(), outlooks, months)
        self._keep_estimates(estimates)
        return self._keep(windows, now=now)

    def learnt_as_of(self) -> datetime | None:
        """Tell when what pages show of all molds was learnt; None where they learn it themselves."""
        return self._find_kept().as_of if self._is_large() else None

    def outlooks_of_late(self, *, now: datetime) -> tuple[MoldOutlook, ...]:
        """Give the windows of all molds in short, without trends: of the log as it is, or in a large one as kept.

        None in a large one before its first refit; molds that came since are worked out from their own few pieces.
        """
        if not self._is_large():
            return tuple(mold_outlook(window, None) for window in self.windows_of_late(now=now))
        kept = {outlook.mold: outlook for outlook in self._kept_outlooks()}
        new = [mold.name for mold in log.list_molds(self._log) if kept and mold.name not in kept]
        windows = self._windows([self._known_mold(name, now) for name in new], now, None) if new else ()
        kept |= {window.mold: mold_outlook(window, None) for window in windows}
        return tuple(kept[name] for name in sorted(kept))

    def waits_for_refit(self) -> bool:
        """Whether the log is too large for pages to learn from all molds, and `refit` never did."""
        return self._is_large() and log.newest_learnt_id(self._log) is None

    def rising_of_late(self, *, now: datetime, since: datetime) -> tuple[MoldOutlook | MoldTrends, ...]:
        """Give the molds that lost more than was to be expected since a time: as of an hour ago, or as kept."""
        molds: Sequence[MoldOutlook | MoldTrends] = (
            self._kept_outlooks() if self._is_large() else self.trends_of_late(now=now).molds
        )
        return tuple(item for item in molds if item.alarm_at is not None and since <= item.alarm_at <= now)

    def windows_of_late(self, *, now: datetime) -> tuple[MoldWindow, ...]:
        """Give the windows of all molds, worked out within the last hour from the log as it is."""
        sisters = log.list_sister_molds(self._log)
        mark = (log.evidence_mark(self._log), log.list_mold_settings(self._log), log.latest_windows(self._log), sisters)
        late = self._late_windows
        if late is None or late.mark != mark or not now - _LATE <= late.at <= now:
            windows = self._windows(self._known_molds(now, sisters=sisters), now, None)
            late = self._late_windows = _LateWindows(mark=mark, at=now, windows=windows)
        return late.windows

    def opening_ages_of_late(self, molds: Sequence[str], *, now: datetime) -> dict[str, float | None]:
        """Tell from which age windows of some molds are open, as `outlooks_of_late` has it; None: no age yet. [h]"""
        kept = {item.mold: item.earliest_h for item in self._kept_outlooks(molds)} if self._is_large() else {}
        return {
            mold: kept[mold] if mold in kept else self.of_mold(mold, now=now).window.window.earliest_h for mold in molds
        }

    def window(self, mold: str, *, now: datetime, cure: ExpectedCure | None = None) -> MoldWindow:
        """Work out the window of one mold from its pieces of today and what is known of the others."""
        return self._windows([self._known_mold(mold, now)], now, cure)[0]

    def of_mold(self, mold: str, *, now: datetime) -> MoldLosses:
        """Give window and trends of one mold, worked out within the last hour from the log as it is.

        Pages are opened more often than the log changes.
        """
        changes, sisters = self._planning.window_changes(mold), log.list_sister_molds(self._log, mold=mold)
        mark = (
            log.evidence_mark(self._log),
            self._planning.mold_setting(mold),
            max((change.id for change in changes), default=0),
            sisters,
        )
        late = self._late_molds.get(mold)
        if late is None or late.mark != mark or not now - _LATE <= late.at <= now:
            known = self._known_mold(mold, now, sisters)
            usual = self._usual(now)
            trends, window = _trends(known, usual), self._window(known, usual, ExpectedCure())
            late = MoldLosses(mark=mark, at=now, pieces=known.pieces, window=window, trends=trends)
            self._late_molds.pop(mold, None)
            self._late_molds[mold] = late
            if len(self._late_molds) > _MOST_MOLDS_KEPT:
                del self._late_molds[next(iter(self._late_molds))]
        return late

    def keep_windows(self, windows: Sequence[MoldWindow], *, now: datetime) -> tuple[WindowChange, ...]:
        """Write down those windows that changed, each with the evidence that caused it."""
        return self._keep([to_keep(window) for window in windows], now=now)

    def _keep(self, windows: Sequence[Window], *, now: datetime) -> tuple[WindowChange, ...]:
        before = log.latest_windows(self._log)
        changed = [
            window for window in windows if window.evidence["pieces"] and differs(before.get(window.mold), window)
        ]
        return self._planning.change_windows(changed, at=now) if changed else ()

    def mix_factors(self, *, now: datetime, pour_id: int | None = None) -> dict[tuple[str, str | None], float]:
        """Tell by which factor pieces that are in their molds need more strength than their mold's window asks for.

        A window is worked out for the mix that is poured of late; the effect of another one's fibres and admixtures is
        what the log has taught, and what is not known of it counts against it, as in the window itself.

        Returns
        -------
        factors : dict
            By mold and mix, where the pour is of another mix than the window. [-]
        """
        filled = log.list_filled_molds(self._log, at=now, pour_id=pour_id)
        windows = log.latest_windows(self._log, molds={item.mold for item in filled})
        mix_of = {
            cure.pour_id: cure.mix
            for cure in log.list_pour_cures(self._log, pour_ids={item.pour_id for item in filled})
        }
        mixes = {mix.name: mix for mix in log.list_mixes(self._log)}
        kept = {item.mold: item for item in self._kept_outlooks(windows)} if self._is_large() else None
        factors = {}
        for mold, mix in {(item.mold, mix_of[item.pour_id]) for item in filled}:
            window = windows[mold].window if mold in windows else None
            if window is None or window.earliest_fraction is None or window.mix == mix:
                continue
            if kept is not None:
                needed_by_mix = kept[mold].needed_by_mix if mold in kept else {}
                needed, needed_of_window = (needed_by_mix.get(name or "") for name in (mix, window.mix))
            else:
                known, target_loss = self._known_mold(mold, now), self._planning.mold_setting(mold).target_loss
                needed, needed_of_window = (
                    strength_needed(with_mix(known, mixes.get(name or "")).risk, target_loss)
                    for name in (mix, window.mix)
                )
            if needed is not None and needed_of_window is not None:
                factors[mold, mix] = needed / needed_of_window
        return factors

    # Trends

    def trends(self, *, now: datetime, mold: str | None = None) -> ShopTrends:
        """Tell how losses went over time and why, of all molds or of one."""
        if mold is not None:
            log.find_mold_title(self._log, mold)
        usual, known = self._usual(now), self._known_molds(now, mold)
        shared = self._shared(now)
        return ShopTrends(
            molds=tuple(_trends(item, usual) for item in known),
            effects=condition_effects(shared.population),
            pour_spread=shared.pour_spread,
        )

    def trends_of_late(self, *, now: datetime) -> ShopTrends:
        """Tell what `trends` tells of all molds, worked out within the last hour: soon enough for a page of the day."""
        late = self._late_trends
        if late is None or not now - _LATE <= late.at <= now:
            with self._learning:  # who comes while they are worked out waits for them, and does not begin anew
                late = self._late_trends
                if late is None or not now - _LATE <= late.at <= now:
                    late = self._work_out_trends(now)
        return late.trends

    def learn_ahead(self, *, now: datetime) -> None:
        """Work out anew what `trends_of_late` gives, so that nobody who asks within the next hour waits for it.

        What molds of shared designs tell is kept for the other sites, as `refit` does. Pages of a large log show what
        `refit` kept, so that there is nothing to work out.
        """
        if self._is_large():
            return
        with self._learning:
            self._work_out_trends(now)
        if self._latest is not None:
            of_designs, known = log.list_molds_of_designs(self._log), self._latest
            self._keep_estimates(
                {
                    mold.name: mold_estimate(of_mold(known, number))
                    for number, mold in enumerate(known.shop.molds)
                    if mold.name in of_designs
                }
            )

    def _work_out_trends(self, now: datetime) -> _LateTrends:
        late = self._late_trends = _LateTrends(at=now, trends=self.trends(now=now))
        return late

    # Months

    def month(self, mold: str, month: Month, *, pieces: Sequence[Piece], now: datetime) -> MoldMonth:
        """Gather one month of a mold; `pieces` are those of that month.

        What was to be expected of a month is, in a large log, what was kept by the last refit.
        """
        since, until = month.before.search_span[0], min(now, month.search_span[1])
        outcomes = log.list_piece_outcomes(self._log, piece_ids=[piece.id for piece in pieces])
        return mold_month(
            log.find_mold(self._log, mold),
            month,
            pieces=pieces,
            strengths=self._curing.demold_strengths(pieces),
            losses={item.piece_id: judge_loss(item) for item in outcomes},
            known=gather_known_pieces(self._log, self._curing, mold=mold, since=since, until=until),
            expected=self._months(mold, now),
            expected_as_of=self.learnt_as_of(),
            windows=self._planning.window_changes(mold),
        )

    def _months(self, mold: str, now: datetime) -> tuple[MonthOfLosses, ...]:
        if not self._is_large():
            return self.of_mold(mold, now=now).trends.months
        return read_months(log.find_mold_months(self._log, mold))

    # Comparing

    def compare_molds(self, mold: str, other: str, *, now: datetime) -> Comparison:
        """Hold the pieces of a mold against those of another one: of each, those of its latest pours."""
        if mold == other:
            raise InputError(f"{mold} cannot be compared with itself. Choose another mold.")
        names = [log.find_mold_title(self._log, name) for name in (other, mold)]
        latest = NearestPours(now, _MOST_POURS_COMPARED, before=True)
        return self._compare(
            (names[0], names[1]), ((other, latest), (mold, latest)), than=f"of mold {names[0]}", now=now
        )

    def compare_change(self, mold: str, *, at: datetime, now: datetime) -> Comparison:
        """Hold pieces of a mold that were poured from a time on against ones poured before: those nearest to it."""
        log.find_mold_title(self._log, mold)
        names = (f"Before {day_words(at)}", f"From {day_words(at)} on")
        before, after = (NearestPours(at, _MOST_POURS_COMPARED, before=before) for before in (True, False))
        return self._compare(names, ((mold, before), (mold, after)), than="before", now=now)

    def _compare(
        self,
        names: tuple[str, str],
        of: tuple[tuple[str, NearestPours], tuple[str, NearestPours]],
        *,
        than: str,
        now: datetime,
    ) -> Comparison:
        """Compare pieces of two molds, or twice of one, each of some pours."""
        first, second = (
            gather_known_pieces(self._log, self._curing, mold=mold, until=now, pours=pours) for mold, pours in of
        )
        is_part = any(log.has_more_pours(self._log, mold, pours) for mold, pours in of)
        return compare_pieces(
            names, (first, second), than=than, of_nearest_pours=_MOST_POURS_COMPARED if is_part else None
        )

    def changes(self, mold: str, *, now: datetime, at: datetime | None = None) -> tuple[MoldChange, ...]:
        """Find when something about a mold changed for good, the latest first.

        Pours that are looked at are the latest, and those that `compare_change` holds against each other at a time.
        """
        most = _MOST_POURS_COMPARED
        spans = [[NearestPours(now, most, before=True)]]
        if at is not None:
            spans.append([NearestPours(at, most, before=before) for before in (True, False)])
        windows, agents = self._planning.window_changes(mold), log.list_release_agents(self._log)[mold]
        found = {change for span in spans for change in find_changes(self._pours_in(mold, span), windows, agents)}
        return tuple(sorted(found, key=lambda change: change.at, reverse=True))

    def _pours_in(self, mold: str, span: Sequence[NearestPours]) -> list[MoldPour]:
        return [pour for pours in span for pour in log.list_mold_pours(self._log, mold, pours)]

    # What if

    def what_if(
        self,
        mold: str,
        *,
        now: datetime,
        age_h: float | None = None,
        instead_of_h: float | None = None,
        cure: ExpectedCure | None = None,
        colder_by_degc: float = 0.0,
    ) -> WhatIf:
        """Compare how pieces of a mold are demolded with another way.

        Parameters
        ----------
        mold : str
        now : datetime
        age_h : float, optional
            Demold age to look at; by default that of today.
        instead_of_h : float, optional
            That of today; by default the median of the latest pieces, else when the window opens. [h]
        cure : ExpectedCure, optional
            To look at; by default the same as today.
        colder_by_degc : float
            How much colder than expected.
        """
        known = with_latest_mix(self._known_mold(mold, now))
        cure = cure or ExpectedCure()
        for age in (age_h, instead_of_h):
            if age is not None and not AGES_H[0] <= age <= AGES_H[-1]:
                raise InputError(
                    f"An age of {age:g} h is none that can be judged. Give {AGES_H[0]:g} to {AGES_H[-1]:g} h."
                )
        expected_degc = self._expected_degc(now, ExpectedCure())
        costs, assumed = costs_of(self._planning.mold_setting(mold))
        mix, strengths = latest_mix(known), self._curing.mix_strengths()
        usual_h = _usual_age_h(known) if instead_of_h is None else instead_of_h
        if usual_h is None:
            usual_h = self._windows([known], now, None)[0].window.earliest_h
        if usual_h is None:
            raise InputError(f"Nothing is known about when {mold} is opened. Say what to compare with: --instead-of-h.")
        degc = (expected_degc if cure.temperature_degc is None else cure.temperature_degc) - colder_by_degc
        new_age_h = usual_h if age_h is None else age_h
        risks = _with_wet_cure(known, cure, new_age_h)
        ways = ((usual_h, expected_degc, None), (new_age_h, degc, cure.wet_until_h))
        scenarios, losses, spent = [], [], []
        # What a good piece costs in the long run, over what is believed of the loss; the mean of its cost would be that
        # of the few cases in which hardly a piece comes out.
        long_run = []
        for risk, (age, temperature_degc, wet_until_h) in zip(risks, ways, strict=True):
            strength = float(strength_by_age(mix, strengths, temperature_degc, wet_until_h).at(age))
            loss = loss_by_age(risk, strength)[0][0]
            losses.append(loss)
            spent.append(cost_per_good_piece(loss, age, costs))
            long_run.append(float(cost_per_good_piece(risk.weight @ loss, age, costs)))
            scenarios.append(
                Scenario(
                    age_h=age,
                    temperature_degc=temperature_degc,
                    wet_until_h=wet_until_h,
                    strength_fraction=strength,
                    loss=interval(loss, risk.weight),
                    cost_per_good_piece=replace(interval(spent[-1], risk.weight), mean=long_run[-1]),
                )
            )
        risk = risks[0]
        loss_change = interval(losses[1] - losses[0], risk.weight)
        tried = (risk.weakest * (1 - _BEYOND_TRIED), risk.strongest * (1 + _BEYOND_TRIED))
        beyond = not all(tried[0] <= scenario.strength_fraction <= tried[1] for scenario in scenarios)
        return WhatIf(
            mold=mold,
            now=scenarios[0],
            instead=scenarios[1],
            loss_change=loss_change,
            cost_change=replace(interval(spent[1] - spent[0], risk.weight), mean=long_run[1] - long_run[0]),
            costs_assumed=assumed,
            beyond_tried=beyond,
            sentence=_what_if_sentence(scenarios[0], scenarios[1], loss_change, beyond=beyond),
        )

    # What several use cases need

    def _usual(self, now: datetime) -> _Usual:
        return _Usual(
            settings=log.list_mold_settings(self._log),
            strengths=self._curing.mix_strengths(),
            degc=self._expected_degc(now, ExpectedCure()),
        )

    def _is_large(self) -> bool:
        """Whether learning from all molds takes longer than a page may wait."""
        return log.newest_piece_id(self._log) > _MOST_PIECES_IN_A_PAGE

    def _shared(self, now: datetime) -> SharedLosses:
        """What all molds tell about any of them: learnt here, or in a large log as `refit` kept it."""
        if self._is_large():
            return self._find_kept()
        latest = self._latest
        if (
            latest is None
            or latest.now > now
            or log.newest_piece_id(self._log) > (1 + _LEARN_ANEW_SHARE) * latest.newest_piece_id
        ):
            latest = self._learn_all(now)
        return latest.shared

    def _find_kept(self) -> SharedLosses:
        newest = log.newest_learnt_id(self._log)
        if self._kept is None or self._kept[0] != newest:
            text = log.find_learnt(self._log)
            self._kept = (newest, nothing_shared() if text is None else SharedLosses.read(text))
        return self._kept[1]

    def _kept_outlooks(self, molds: Collection[str] | None = None) -> tuple[MoldOutlook, ...]:
        return tuple(MoldOutlook.read(text) for text in log.list_mold_outlooks(self._log, molds=molds))

    def _learn_all(self, now: datetime, sisters: tuple[SisterMold, ...] | None = None) -> KnownShop:
        if sisters is None:
            sisters = log.list_sister_molds(self._log)
        with self._learning_all:  # who comes while it is learnt waits for it, and does not begin anew
            latest = self._latest
            if (
                latest is None
                or latest.now > now
                or latest.mark != log.evidence_mark(self._log)
                or latest.sisters != sisters
            ):
                latest = self._latest = learn_shop(self._log, self._curing, now=now, sisters=sisters)
            return latest

    def _known_molds(
        self, now: datetime, only: str | None = None, sisters: tuple[SisterMold, ...] | None = None
    ) -> Iterator[KnownMold]:
        """Give what is known of all molds or one, of each when it is its turn; in a large log with what was kept."""
        if self._is_large():
            if sisters is None:
                sisters = log.list_sister_molds(self._log, mold=only)
            for mold in log.list_molds(self._log):
                if only in (None, mold.name):
                    yield self._known_mold(mold.name, now, sisters)
        else:
            known = self._learn_all(now, sisters)
            for number, mold in enumerate(known.shop.molds):
                if only in (None, mold.name):
                    yield of_mold(known, number)

    def _keep_estimates(self, estimates: Mapping[str, str | None]) -> None:
        """Keep what molds of shared designs tell by themselves, for others of their design."""
        log.keep_mold_estimates(self._log, {mold: said for mold, said in estimates.items() if said is not None})

    def _known_mold(self, name: str, now: datetime, sisters: Sequence[SisterMold] | None = None) -> KnownMold:
        """Learn one mold anew, with what all of them tell, and those of its design."""
        log.find_mold_title(self._log, name)
        if sisters is None:
            sisters = log.list_sister_molds(self._log, mold=name)
        before, shared = self._latest, self._shared(now)
        latest = self._latest
        if latest is not None and latest is not before and not self._is_large():  # all were read just now
            return of_mold(latest, [item.name for item in latest.shop.molds].index(name))
        strengths = self._curing.mix_strengths()
        return learn_mold(self._log, self._curing, name, now=now, shared=shared, strengths=strengths, sisters=sisters)

    def _windows(self, molds: Iterable[KnownMold], now: datetime, cure: ExpectedCure | None) -> tuple[MoldWindow, ...]:
        cure, usual = cure or ExpectedCure(), self._usual(now)
        return tuple(self._window(known, usual, cure) for known in molds)

    def _window(self, known: KnownMold, usual: _Usual, cure: ExpectedCure) -> MoldWindow:
        known = with_latest_mix(known)
        degc = usual.degc if cure.temperature_degc is None else cure.temperature_degc
        return mold_window(
            known,
            usual.settings[known.mold.name],
            strength=strength_by_age(latest_mix(known), usual.strengths, degc, cure.wet_until_h),
            temperature_degc=degc,
            wet_until_h=cure.wet_until_h,
            history=window_history(log.list_window_changes(self._log, known.mold.name), known.pieces),
        )

    def _expected_degc(self, now: datetime, cure: ExpectedCure) -> float:
        if cure.temperature_degc is not None:
            return cure.temperature_degc
        expected = self._curing.forecast().degc_at(now)
        return ASSUMED_DEGC if expected is None else expected


def _with_wet_cure(known: KnownMold, cure: ExpectedCure, age_h: float) -> tuple[MoldRisk, MoldRisk]:
    """Give the mold as it is, and with what the log has taught about pieces kept wet for another share of time."""
    effects = known.population.effects
    change = sd = 0.0
    if cure.wet_until_h is not None:
        for column, condition in enumerate(known.shared.conditions):
            if condition.kind == "wet":
                more = min(1.0, cure.wet_until_h / age_h) - known.risk.conditions[column]
                change = more * effects.log_change[column]
                sd = abs(more) * np.sqrt(effects.covariance[column, column])
    return with_change(known.risk, log_change=float(change), sd=float(sd))


def _trends(known: KnownMold, usual: _Usual) -> MoldTrends:
    strength = strength_by_age(latest_mix(known), usual.strengths, usual.degc, None)
    target_loss = usual.settings[known.mold.name].target_loss
    return mold_trends(
        known,
        usual.strengths,
        earliest_h=earliest_age(with_latest_mix(known).risk, strength, target_loss),
        temperature_degc=usual.degc,
        opens_at=strength_needed(known.risk, target_loss),
    )


def _usual_age_h(known: KnownMold) -> float | None:
    ages = [piece.age.demold_age_h for piece in known.pieces[-LATEST_PIECES:]]
    return float(np.median(ages)) if ages else None


def _what_if_sentence(now: Scenario, instead: Scenario, change: Interval, *, beyond: bool) -> str:
    sentence = (
        f"Instead of {share_words(now.loss)}, {share_words(instead.loss)} would be lost; a good piece would cost "
        f"{instead.cost_per_good_piece.mean:,.2f} instead of {now.cost_per_good_piece.mean:,.2f}."
    )
    if instead.wet_until_h is not None and instead.wet_until_h >= instead.age_h:
        sentence += (
            f" A closed mold keeps a piece wet anyway, so a wet cure until {instead.wet_until_h:g} h changes nothing "
            "at demolding; what it adds comes later, to the strength of the finished piece."
        )
    if change.low < 0 < change.high:
        sentence += " The log does not settle which of the two loses less."
    if beyond:
        sentence += " No piece of this mold has been opened at one of these strengths: take it as a guess."
    return sentence
