"""What a rule is: a small function over what was seen, registered with its severity and source."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from measurements import calc
from measurements.compute import Computed
from measurements.loading import Loaded
from measurements.models import Severity
from measurements.rule_parameters import PRACTICE as PRACTICE
from measurements.rule_parameters import Parameter


@dataclass(frozen=True)
class Finding:
    """One thing a rule saw. `key` tells apart several findings of one rule in one session."""

    seen: str
    expected: str
    advice: str
    data: dict[str, Any] = field(default_factory=dict)
    key: str = ""


@dataclass(frozen=True)
class Seen:
    """A session, its figures and the units to speak in."""

    loaded: Loaded
    computed: Computed

    @property
    def units(self) -> str:
        return str(self.loaded.company.unit_system)

    def setting(self, one: Parameter) -> float:
        """A number of a rule as the company has it."""
        return self.loaded.settings.value(one)

    def remark(self, code: calc.Code) -> calc.Remark | None:
        """What the calculation noticed, if it noticed that."""
        return self.computed.found.remark(code) if self.computed.found else None

    def remarks(self, code: calc.Code) -> list[calc.Remark]:
        """Every remark of this code: a part, an instrument or a phase each."""
        found = self.computed.found
        return [remark for remark in found.remarks if remark.code is code] if found else []


Check = Callable[[Seen], Iterator[Finding]]


@dataclass(frozen=True)
class Rule:
    name: str
    severity: Severity
    source: str
    text: str
    check: Check
    fixed: bool = False
    """Whether its severity is no company's choice: the verdict, the evidence, what cannot be."""


RULES: dict[str, Rule] = {}


def rule(
    name: str, severity: Severity, text: str, source: str, *, fixed: bool = False
) -> Callable[[Check], Check]:
    """Registers a check under a name; `text` says what it looks for. See DEVELOPERS.md to add one."""

    def register(check: Check) -> Check:
        if name in RULES:
            raise ValueError(f"two rules are called {name}")
        RULES[name] = Rule(name, severity, source, text, check, fixed)
        return check

    return register


RECALL_RULE = "recalled_instrument"
"""Raised by a decision in a recall case, not by a check; only a newer session or decision ends it."""
