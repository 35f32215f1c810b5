"""What validation finds: rows held against bars, spreads of errors, and shares of intervals that hold the truth."""

from __future__ import annotations

from dataclasses import dataclass, field

COVERAGE_AT_LEAST, COVERAGE_AT_MOST = 0.90, 0.99


@dataclass(frozen=True)
class Row:
    """One measurement of one phantom: `error` in `unit` (None: the plan did not assess it), held against `bar` (None:
    told, not held); `at_least` where more is better. `half_interval`: half of the plan's own 95 % interval, None where
    it gives none. `impossible`: why no program could measure it in this scan; then it may be left out, or be right
    within its own interval. `optional`: may be left out anywhere."""

    name: str
    value: float | None
    truth: float | None
    error: float | None
    bar: float | None
    unit: str
    at_least: bool = False
    half_interval: float | None = None
    impossible: str | None = None
    optional: bool = False

    @property
    def status(self) -> str:
        if self.error is None:
            return "not assessed"
        if self.bar is None:
            return "told"
        if self.error >= self.bar if self.at_least else self.error <= self.bar:
            return "met"
        if self.impossible is not None and self.half_interval is not None and self.error <= self.half_interval:
            return "within its interval"
        return "not met"

    @property
    def passed(self) -> bool:
        if self.status == "not assessed":
            return self.optional or self.impossible is not None
        return self.status != "not met"


@dataclass(frozen=True)
class PhantomResult:
    """All rows of one phantom, or the sentence with which planning it ended; `may_refuse`: why that is right here."""

    phantom: str
    seconds: float
    rows: tuple[Row, ...]
    refused: str | None = None
    may_refuse: str | None = None

    @property
    def passed(self) -> bool:
        if self.refused is not None:
            return self.may_refuse is not None
        return all(row.passed for row in self.rows)


@dataclass(frozen=True)
class Coverage:
    """How often the truth lay in the 95 % height interval when every landmark coordinate was off by `noise_mm`."""

    noise_mm: float
    plans: int
    held: int
    refused: tuple[str, ...]

    @property
    def passed(self) -> bool:
        return self.plans > 0 and self.held >= COVERAGE_AT_LEAST * self.plans


@dataclass(frozen=True)
class Spread:
    """Error of one measurement over many hearts, in `unit`: `median`, `high` (95th percentile) and `worst`, which was
    seen on the heart `worst_at`; `not_assessed` of the hearts have no value."""

    name: str
    unit: str
    hearts: int
    median: float
    high: float
    worst: float
    worst_at: str
    not_assessed: int
    bar: float | None = None
    beyond_bar: int = 0


@dataclass(frozen=True)
class Told:
    """One measurement of one trial with its interval, `value` +- 2 `sd` unless `low` and `high` are told, and the
    truth."""

    name: str
    unit: str
    value: float
    sd: float
    truth: float
    low: float | None = None
    high: float | None = None

    @property
    def held(self) -> bool:
        if self.low is not None and self.high is not None:
            return self.low <= self.truth <= self.high
        return abs(self.value - self.truth) <= 2.0 * self.sd


@dataclass(frozen=True)
class TrialCoverage:
    """How often the interval of one measurement held the truth. `deviations`: root mean square of error over stated
    standard uncertainty, one where the doubt is stated rightly; `worst_at`: the trial farthest off."""

    name: str
    told: int
    held: int
    deviations: float
    worst_deviations: float
    worst_at: str

    @property
    def share(self) -> float:
        return self.held / self.told if self.told else 0.0

    @property
    def passed(self) -> bool:
        return self.told > 0 and COVERAGE_AT_LEAST <= self.share <= COVERAGE_AT_MOST


@dataclass(frozen=True)
class Trials:
    """All trials: coverage by measurement, and over all of them by kind of phantom."""

    trials: int
    noise_mm: float
    by_name: tuple[TrialCoverage, ...]
    pooled: TrialCoverage
    by_kind: tuple[TrialCoverage, ...]
    refused: tuple[str, ...] = field(default=())
