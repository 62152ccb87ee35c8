"""The way through the pages: what stands in the head of each, for whom."""

from dataclasses import dataclass

from django.urls import NoReverseMatch, reverse

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
    Entry("Field", "field", Action.MEASURE, "Measure what is planned for you, also without a network."),
    Entry("Plan", "plan", Action.PLAN, "Give jobs their people and instruments."),
    Entry("Jobs", "jobs", Action.READ, "See where each job stands and what is missing."),
    Entry("Sites", "customers", Action.READ, "Customers, their sites and the design schedules."),
    Entry("Review", "review", Action.REVIEW, "Look at what was flagged, worst first, and decide."),
    Entry("Reports", "reports", Action.READ, "Open, issue and check reports."),
    Entry("Instruments", "instruments", Action.READ, "See what is due for calibration."),
    Entry(
        "Tablets",
        "company-tablets",
        Action.ENROL_DEVICE,
        "Pair a tablet for the field, or remove one.",
        unless=Action.MANAGE_COMPANY,
    ),
    Entry("Company", "company", Action.MANAGE_COMPANY, "People, keys, tablets and the rules of the house."),
)


def entries_for(actor: Actor) -> list[Entry]:
    """What this actor may use and is served here."""
    return [
        entry
        for entry in ENTRIES
        if may(actor, entry.action) and not (entry.unless and may(actor, entry.unless)) and entry.url
    ]
