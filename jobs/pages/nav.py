"""The way through the pages: what stands in the head of each, for whom."""

from dataclasses import dataclass

from django.urls import NoReverseMatch, reverse
from django.utils.translation import gettext_noop

from jobs.access import Action, Actor, may


@dataclass(frozen=True)
class Entry:
    """One place to go: its words, the name of its address, and who goes there."""

    label: str
    address: str
    action: Action
    purpose: str
    unless: Action | None = None  # left out for who may do this, and finds it elsewhere

    @property
    def url(self) -> str | None:
        """None while the app that serves it is not installed."""
        try:
            return reverse(self.address)
        except NoReverseMatch:
            return None


ENTRIES = (
    Entry(
        gettext_noop("Field"),
        "field",
        Action.MEASURE,
        gettext_noop("Measure what is planned for you, also without a network."),
    ),
    Entry(gettext_noop("Plan"), "plan", Action.PLAN, gettext_noop("Give jobs their people and instruments.")),
    Entry(
        gettext_noop("Jobs"),
        "jobs",
        Action.READ,
        gettext_noop("See where each job stands and what is missing."),
    ),
    Entry(
        gettext_noop("Sites"),
        "customers",
        Action.READ,
        gettext_noop("Customers, their sites and the design schedules."),
    ),
    Entry(
        gettext_noop("Review"),
        "review",
        Action.REVIEW,
        gettext_noop("Look at what was flagged, worst first, and decide."),
    ),
    Entry(gettext_noop("Reports"), "reports", Action.READ, gettext_noop("Open, issue and check reports.")),
    Entry(
        gettext_noop("Calendar"),
        "calendar",
        Action.MEASURE,
        gettext_noop("Subscribe to what is planned for you."),
    ),
    Entry(
        gettext_noop("Instruments"),
        "instruments",
        Action.READ,
        gettext_noop("See what is due for calibration."),
    ),
    Entry(
        gettext_noop("Tablets"),
        "company-tablets",
        Action.ENROL_DEVICE,
        gettext_noop("Pair a tablet for the field, or remove one."),
        unless=Action.MANAGE_COMPANY,
    ),
    Entry(
        gettext_noop("Company"),
        "company",
        Action.MANAGE_COMPANY,
        gettext_noop("People, keys, tablets and the rules of the house."),
    ),
)


def entries_for(actor: Actor) -> list[Entry]:
    """What this actor may use and is served here."""
    return [
        entry
        for entry in ENTRIES
        if may(actor, entry.action) and not (entry.unless and may(actor, entry.unless)) and entry.url
    ]
