"""The JSON Schema of the published document, as pydantic models whose field texts become its descriptions.

``document`` builds the document without pydantic, so that listening does not pay for its import; a test holds the
two together. Unknown fields are allowed: a reader of version 1 must accept fields that were added later.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from clackcount.model import Basis, Cause, Pattern, Severity, State

Seconds = Annotated[float, Field(ge=0)]
Share = Annotated[float, Field(ge=0, le=1)]
PerMinute = Annotated[float, Field(gt=0)]
Interval95 = Annotated[list[float], Field(min_length=2, max_length=2)]
SchemaName = Literal["clackcount.listening/1"]


class _Part(BaseModel):
    model_config = ConfigDict(extra="allow", title=None)


class Tool(_Part):
    """What made the document."""

    name: str
    version: str
    settings: dict[str, float | int | str] = Field(description="every threshold that was in force")


class Recording(_Part):
    """What was read."""

    path: str = Field(description="as it was given; '-' is standard input")
    duration_s: Seconds
    sample_rate_hz: int = Field(gt=0)
    channels: int = Field(ge=1)
    container: str
    codec: str
    clipped_fraction: Share = Field(description="share of samples at the rails")
    warnings: list[str]


class Slam(_Part):
    """One closure of a waste valve."""

    time_s: Seconds = Field(description="start of the impact on the waveform, from the start of the recording")
    strength_db: float | None = Field(description="above the background around it")
    confidence: Share = Field(description="that this is a waste-valve slam")
    reopen_s: Seconds | None = Field(description="when the valve was heard dropping open again")
    opened_s: Seconds | None = Field(default=None, description="a knock of opening heard shortly before this slam")
    pump: int = Field(ge=1, description="1 is the loudest ram; 2.. are others, each with its own rate")
    beating: bool = Field(default=True, description="lies on the even beat of its pump, not a stroke on its own")


class Regularity(_Part):
    """How even the beat is; all null where no ram is heard."""

    cv: Annotated[float, Field(ge=0)] | None = Field(description="standard deviation over mean of the intervals")
    robust_cv: Annotated[float, Field(ge=0)] | None = Field(description="1.4826 median deviation over median")
    missed: Annotated[int, Field(ge=0)] | None
    pattern: Pattern | None


class Phases(_Part):
    """Medians over a cycle; null where the reopening is not heard."""

    open_s: Seconds | None = Field(description="from reopening to slam: the drive column speeds up")
    shut_s: Seconds | None = Field(description="from slam to reopening: water is delivered")


class Pump(_Part):
    """One ram, over its longest stretch of running by itself."""

    pump: int = Field(ge=1)
    start_s: Seconds
    end_s: Seconds
    n_cycles: int = Field(ge=0)
    rate_per_min: PerMinute
    rate_ci95_per_min: Interval95
    regularity: Regularity
    phases: Phases
    confidence: Share = Field(description="that this is a ram at all")
    doubts: list[str]


class Stretch(_Part):
    """A piece of the timeline, half-open: start_s <= t < end_s."""

    state: State
    start_s: Seconds
    end_s: Seconds
    n_slams: int = Field(default=0, ge=0)
    confidence: Share = 1.0


class Stop(_Part):
    """The end of a self-cycling stretch before the recording ends."""

    time_s: Seconds
    cause: Cause
    confidence: Share
    before: list[str] = Field(default=[], description="what changed in the minute before it")
    restarted_s: Seconds | None = None


class Startup(_Part):
    """How the pump was set going."""

    hand_strokes: int = Field(ge=0)
    failed_attempts: int = Field(default=0, ge=0)
    self_cycling_from_s: Seconds | None
    settled_from_s: Seconds | None = Field(description="from when a timed catch may begin")
    settling_time_s: float | None = None
    settling_time_ci95_s: Interval95 | None = None


class TrendRow(_Part):
    """One window of a long recording; null where nothing beat in it."""

    start_s: Seconds
    end_s: Seconds
    rate_per_min: PerMinute | None
    robust_cv: float | None
    strength_db: float | None
    rush_db: float | None
    missed: int


class Finding(_Part):
    """One thing worth telling the person at the pump."""

    code: str
    severity: Severity
    title: str
    evidence: str
    next: str
    confidence: Share
    basis: Basis
    source: str = ""
    causes: list[str] = []
    checks: list[str] = []
    listen_at_s: list[float] = []
    question: str = ""
    cautions: list[str] = []


class Figure(_Part):
    """A result with its uncertainty, in the SI unit that its name ends with."""

    value: float
    standard_uncertainty: Annotated[float, Field(ge=0)] = Field(description="half of what is printed after ±")
    low95: float
    high95: float


class SingleCatch(_Part):
    """One catch by itself, before it was pooled with its repeats."""

    given: str = Field(description="as typed")
    side: Literal["delivery", "waste"]
    volume_m3: Figure
    time_s: Figure
    flow_m3_s: Figure
    start_s: Seconds | None = Field(description="where in the recording it began; null where not said")
    end_s: Seconds | None
    n_slams: Annotated[int, Field(ge=0)] | None = Field(description="slams counted in it; null: not counted")


class Water(_Part):
    """What the water does, from sound, site file and catches; null where nothing tells. docs/hydraulics.md."""

    rate_per_min: Figure | None
    delivered_per_stroke_m3: Figure | None
    wasted_per_stroke_m3: Figure | None
    delivery_flow_m3_s: Figure | None
    waste_flow_m3_s: Figure | None = Field(description="as caught")
    drive_flow_m3_s: Figure | None = Field(description="delivered and wasted together")
    delivered_per_hour_m3: Figure | None
    delivered_per_day_m3: Figure | None = Field(description="of a day without a stop")
    delivered_fraction: Figure | None = Field(description="share of the drive flow")
    efficiency_daubuisson: Figure | None = Field(description="q h / (Q H)")
    efficiency_rankine: Figure | None = Field(description="q (h - H) / ((Q - q) H)")
    power_in_w: Figure | None
    power_out_w: Figure | None
    energy_in_per_stroke_j: Figure | None
    energy_out_per_stroke_j: Figure | None
    column_energy_j: Figure | None
    delivery_friction_m: Figure | None
    loss_coefficient: Figure | None = Field(description="of the drive side; calibrated where a waste catch allows it")
    lost_start: Figure | None = Field(description="share of the open time lost to recoil, fall and closing")
    closing_velocity_m_s: Figure | None
    terminal_velocity_m_s: Figure | None
    modelled_waste_flow_m3_s: Figure | None = Field(description="by the drive column, without the waste catch")
    waste_ratio: Figure | None = Field(description="caught over modelled waste")
    delivered_bound_m3: Figure | None = Field(description="most that a frictionless column delivers in a beat")
    wave_speed_m_s: Figure | None
    hammer_rise_pa: Figure | None = Field(description="Joukowsky, with a little air")
    peak_pressure_pa: Figure | None = Field(description="gauge, without air: to hold a pipe's rating against")
    standing_pressure_pa: Figure | None
    highest_delivery_head_m: Figure | None
    reflection_time_s: Figure | None
    drive_flow_from: str
    closing_from: str
    calibrated: bool = Field(description="a waste catch fitted the model")
    n_delivery_catches: int = Field(ge=0)
    n_waste_catches: int = Field(ge=0)
    catches: list[SingleCatch] = Field(description="each catch, in the order given, those of the waste last")
    assumptions: list[str]
    notes: list[str]
    cautions: list[str]


class ListeningDocument(_Part):
    """What was heard in one recording."""

    schema_: SchemaName = Field(alias="schema")
    tool: Tool
    recording: Recording
    slams: list[Slam] = Field(description="in order of time, of all pumps")
    rate_per_min: PerMinute | None = Field(description="over the longest self-cycling stretch; null: no ram heard")
    rate_ci95_per_min: Interval95 | None
    regularity: Regularity
    phases: Phases
    confidence: Share | None = Field(description="that the beat is a ram's; null when no ram is heard")
    doubts: list[str] = Field(description="what to doubt, as plain sentences")
    pumps: list[Pump] = Field(description="loudest first")
    timeline: list[Stretch] = Field(description="covers the whole recording, without gaps")
    stops: list[Stop]
    startup: Startup | None
    trend: list[TrendRow]
    findings: list[Finding]
    water: Water | None = Field(default=None, description="only where a site file was given")


class UsedPath(_Part):
    """The recording that could not be used."""

    path: str


class ErrorBody(_Part):
    """Why it could not be used."""

    code: str = Field(description="a short stable word for programs")
    message: str
    hint: str = ""


class ErrorDocument(_Part):
    """Stands in the place of a recording that can't be used."""

    schema_: SchemaName = Field(alias="schema")
    recording: UsedPath
    error: ErrorBody


def json_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) that every document of ``clackcount listen --json`` meets."""
    adapter: TypeAdapter[Any] = TypeAdapter(ListeningDocument | ErrorDocument)
    schema = adapter.json_schema(mode="validation")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "clackcount.listening/1",
        "description": "What clackcount listen --json prints for one recording: one of these, one a line.",
        **schema,
    }
