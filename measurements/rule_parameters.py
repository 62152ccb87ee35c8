"""Numbers of the rules that are a house's judgement, with default, range and source; what a company set.

Never the physics: no number here enters a figure or its uncertainty. Those with `limit` are handed to the
calculation, which makes its remarks by them; the others are read by the rule itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

from django.utils.translation import gettext_noop as _

from measurements.calc.layout import SITE_LENGTHS, SiteRule
from measurements.methods import METHODS
from measurements.models import Method, RuleSetting, Severity

PLANES = SITE_LENGTHS[SiteRule.PRACTICE]
SEVERITY = "severity"
PRACTICE = "common practice"
PUBLISHED = "AMCA 203, ANSI/ASHRAE 111; a company may ask for more, not for less"
NEMA = "NEMA MG 1 (from memory)"
Key = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Parameter:
    """One number of a rule, SI. `quantity`: how it is written (words.QUANTITIES).

    `limit`: the field of the calculation's limits that it is. `methods`: those whose sessions depend on it;
    empty: all.
    """

    rule: str
    name: str
    words: str
    quantity: str
    default: float
    low: float
    high: float
    source: str = PRACTICE
    limit: str = ""
    methods: tuple[Method, ...] = ()

    @property
    def key(self) -> Key:
        return self.rule, self.name


PITOT, SWEPT = Method.PITOT_TRAVERSE, Method.SWEPT_TRAVERSE
TRAVERSES = (PITOT, Method.ANEMOMETER_TRAVERSE, SWEPT)
GAUGED = (PITOT, SWEPT, Method.CENTRELINE_READING, Method.VALVE_FLOW, Method.PUMP_TEST, Method.STATIC_PROFILE)

PARAMETERS: tuple[Parameter, ...] = (
    Parameter("runs_disagree", "spread", _("Runs may differ by, of their mean"), "share",
              0.05, 0.01, 0.20, limit="runs_spread"),
    Parameter("zero_shift", "share", _("A zero may move by, of the mean reading"), "share",
              0.02, 0.005, 0.10, limit="zero_share"),
    Parameter("near_resolution", "steps", _("A reading has at least, in display steps"), "factor",
              10.0, 4.0, 50.0, limit="resolutions"),
    Parameter("bad_distribution", "share", _("Share of pressures above a tenth of the largest"), "share",
              0.75, 0.75, 0.95, PUBLISHED, "distribution_share", TRAVERSES),
    Parameter("low_velocity", "velocity", _("Lowest mean velocity for a pitot-static tube"), "velocity",
              3.0, 1.0, 6.0, limit="low_velocity"),
    Parameter("implausible_value", "velocity", _("Highest velocity that a duct may have"), "velocity",
              60.0, 20.0, 100.0, limit="high_velocity"),
    Parameter("implausible_value", "times", _("A flow is none from, in times of its design"), "factor",
              10.0, 2.0, 100.0),
    Parameter("sweeps_unlike", "ratio", _("Longest sweep over the shortest"), "factor",
              1.2, 1.05, 2.0, limit="sweep_ratio", methods=(SWEPT,)),
    Parameter("poor_plane", "before", _("Least straight duct before a plane, hydraulic diameters"), "factor",
              PLANES.least_upstream, 1.0, 10.0, methods=TRAVERSES),
    Parameter("poor_plane", "after", _("Least straight duct after a plane, hydraulic diameters"), "factor",
              PLANES.least_downstream, 0.5, 5.0, methods=TRAVERSES),
    Parameter("unit_mistake", "width", _("How near a factor between two units, as a share"), "share",
              0.03, 0.01, 0.10),
    Parameter("clock_wrong", "offset", _("A tablet's clock may be off by"), "time", 120.0, 30.0, 900.0),
    Parameter("changed_since_earlier", "share", _("A change is told from, of the earlier figure"), "share",
              0.10, 0.05, 0.50),
    Parameter("voltage_unbalance", "share", _("Unbalance of voltage"), "share",
              0.02, 0.01, 0.05, NEMA, "voltage_unbalance", (Method.FAN_TEST,)),
    Parameter("current_unbalance", "share", _("Unbalance of current"), "share",
              0.10, 0.03, 0.20, limit="current_unbalance", methods=(Method.FAN_TEST,)),
    Parameter("voltage_off_nameplate", "share", _("Voltage off the nameplate's"), "share",
              0.10, 0.03, 0.15, NEMA, "voltage_deviation", (Method.FAN_TEST,)),
    Parameter("stratified", "spread", _("Mixed air may differ by, of the span"), "share",
              0.20, 0.05, 0.50, limit="stratification", methods=(Method.MIXED_AIR,)),
)  # fmt: skip
BY_KEY: Mapping[Key, Parameter] = {one.key: one for one in PARAMETERS}


def parameter(rule: str, name: str) -> Parameter:
    """Raises KeyError for one that is not declared."""
    return BY_KEY[rule, name]


@dataclass(frozen=True)
class Settings:
    """What a company set otherwise: numbers and severities that are not the defaults."""

    numbers: Mapping[Key, float] = field(default_factory=dict)
    severities: Mapping[str, str] = field(default_factory=dict)

    def value(self, one: Parameter) -> float:
        return self.numbers.get(one.key, one.default)

    def severity(self, rule: str, usual: Severity) -> Severity:
        return Severity(self.severities.get(rule, usual))

    def of_rule(self, rule: str) -> dict[str, Any]:
        """What is set otherwise in one rule: part of what its flags rest on."""
        own: dict[str, Any] = {name: value for (r, name), value in self.numbers.items() if r == rule}
        return own | ({SEVERITY: self.severities[rule]} if rule in self.severities else {})

    def of_method(self, method: str) -> dict[str, Any]:
        """What a session of this method depends on, as it stands with the inputs of its result."""
        numbers = {
            f"{rule}.{name}": value
            for (rule, name), value in self.numbers.items()
            if not BY_KEY[rule, name].methods or method in BY_KEY[rule, name].methods
        }
        return numbers | {f"{rule}.{SEVERITY}": value for rule, value in self.severities.items()}

    def applied(self, given: Any) -> Any:
        """A calculation's input with the limits of the company in place of the defaults."""
        limits = getattr(given, "limits", None)
        if limits is None or not self.numbers:
            return given
        known = {one.name for one in fields(limits)}
        set_here = {
            BY_KEY[key].limit: value for key, value in self.numbers.items() if BY_KEY[key].limit in known
        }
        return replace(given, limits=replace(limits, **set_here)) if set_here else given


def in_force() -> Settings:
    """The settings of the current company. One statement."""
    rows = RuleSetting.objects.order_by("rule", "name", "-at", "-id").distinct("rule", "name")
    newest = list(rows.values_list("rule", "name", "value", "severity"))
    return Settings(
        {
            (r, n): v
            for r, n, v, _ in newest
            if v is not None and (r, n) in BY_KEY and v != BY_KEY[r, n].default
        },
        {r: s for r, n, _, s in newest if n == SEVERITY and s},
    )


def methods_of(rule: str, name: str) -> tuple[str, ...]:
    """Methods whose sessions depend on a setting; all for a severity."""
    one = BY_KEY.get((rule, name))
    return tuple(one.methods) if one and one.methods else tuple(METHODS)
