"""Changes that no test can tell from the original, each with the reason.

Keyed by module, the line as it stands and the line as changed (both stripped), so that entries survive moves;
an entry whose line is gone makes a test fail.
"""

_LIMIT = "return self.of_reading * abs(reading) + self.of_span * abs(self.span or 0.0) + self.absolute"
_SPAN = "a span is required where of_span is above zero; without one it is multiplied by zero"
_DOF = "return self.variance * self.variance / self.satterthwaite if self.satterthwaite > 0.0 else math.inf"
_MISSING = "only its size of one counts here; a missing input is refused right after"
_SMALL = "if abs(c * d - 1.0) < 1e-16:"
_INSIDE = "if a.indicated <= reading <= b.indicated:"
_PAIR = "if pair[0] == pair[1] or not -1.0 <= c.r <= 1.0 or pair in found:"
_POOLED = "elif _signed(parts[group[0]]) or parts[group[0]].sharing is Sharing.POOLED:"
_TERM = 'terms.append(f"q{group[0]} * q{group[0]} * w[{group[0]}]")'
_ALONE = "the group has one member here"
_OWN = "own_dof = part.finite_dof and part.sharing is Sharing.INDEPENDENT"
_BOTH = "return min(max(above - below, 0.0), 1.0)"
_FIRST = "t = z + 0.25 * (z**3 + z) / dof"
_BY_DROP = "by_drop = 0.5 * flow * u / abs(drop) if drop else liquid_flow(k.value, u, density)"
_GUARD = "guard_impossible=_width(tolerance) < 2.0 * U * (1.0 - _SLACK),"
_MANY = "if len(values) > 1 and mean > 0.0:"
_PLAIN_KINDS = "if kind is str or kind is bool or value is None:"
_SHARE = 'if not 0.0 < positive("remaining", remaining) <= 1.0:'
_NEAR = "near = first if reading < first.indicated else last"
_OPTIONAL = "if data is None and len(options) < len(get_args(kind)):"
_FORSYTHE = "x = 2.0 * np.arange(n) / (n - 1.0) - 1.0"
_OF_AIR = "return StationFlow(flow, mass / standard_density, velocity, density, mass, 0.0, 0.0, 0.0)"
_BOTH_WAYS = "if both.no_load is not None and both.difference is not None:"
_NUMBERED = (
    "readings = replace(readings, places=tuple((n, 1, 1) for n in range(1, len(readings.values) + 1)))"
)
_TWICE = "if len(set(shown)) != len(shown):"
_OUTLET = "outlet_velocity = fan.velocity_pressure(flow, outlet_area, density) if wiring.outlet else 0.0"
_BAROMETER = "pressure = inputs.barometer.value if inputs.barometer is not None else 0.0"
_SCATTER = "y = [log(c * s) for c, s in zip(concentration, scatter, strict=True)]"
_NO_SHARE = "water is not mixed with anything: the share is there only to call all liquids alike"
_NOT_SHOWN = "fills the place of a figure that a device with a factor does not have; none is asked for"
_MORE_FOUND = "more is found than is asked for, and only what was asked for is looked up in it"
_NEWEST = (
    'rows = Result.objects.filter(session__in=sessions).annotate(turn=turn).order_by("computed_at", "id")'
)
_CORRECTIONS = "rows = Correction.objects.filter(session__in=[one.id for one in sessions]).select_related("
_ID = "id = models.UUIDField(primary_key=True, default=uuid7, editable=False)"
_NO_FORMS = "only forms made of models ask for it, and there are none; serializers of models only show"
_BY_WALL = "row security narrows to the company by itself; the words are for the index"
_FAULTS = "yield from [Fault(rule, str(row[0])) for row in cursor.fetchall()]"
_LIVING = "living = AccessToken.objects.filter(member=member, kind=TokenKind.PERSON, revoked_at=None)"
_OF_COMPANY = "WHERE company_id = %b AND id = ANY(%b)"

EXPLAINED: dict[tuple[str, str, str], str] = {
    ("instrument", _LIMIT, _LIMIT.replace("or 0.0", "or 1.0")): _SPAN,
    ("instrument", _LIMIT, _LIMIT.replace("or 0.0", "or -1.0")): _SPAN,
    ("instrument", "for _ in range(50):", "for _ in range( 49):"): "the steps converge long before",
    ("instrument", "for _ in range(50):", "for _ in range( 51):"): "the steps converge long before",
    (
        "distributions",
        _SMALL,
        _SMALL.replace("1e-16", "-0.9999999999999999"),
    ): "goes on to no effect, but longer",
    ("distributions", "if dof > _LARGE_DOF:", "if dof >= _LARGE_DOF:"): "both ways agree to 1e-7 there",
    ("uncertainty", "member = values.get(name, 0.0)", "member = values.get(name, -1.0)"): _MISSING,
    ("uncertainty", "member = values.get(name, 0.0)", "member = values.get(name, 1.0)"): _MISSING,
    ("instrument", "return 0.0, 0.0, 0.0", "return 0.0, 0.0, -1.0"): "an extra below zero counts as none",
    ("instrument", _INSIDE, _INSIDE.replace("if a.indicated <=", "if a.indicated <")): (
        "the first point itself is what is returned after the loop"
    ),
    ("uncertainty", "if rest < -1e-9:", "if rest <= -1e-9:"): "the forgiven rounding has no exact end",
    ("uncertainty", _PAIR, _PAIR.replace("pair[0] == pair[1]", "pair[0] >= pair[1]")): "the pair is sorted",
    ("plan", _POOLED, _POOLED.replace("_signed(parts[group[0]])", "_signed(parts[group[ -1]])")): _ALONE,
    ("plan", _POOLED, _POOLED.replace("or parts[group[0]]", "or parts[group[ -1]]")): _ALONE,
    ("plan", _TERM, _TERM.replace("* q{group[0]} *", "* q{group[ -1]} *")): _ALONE,
    ("plan", _TERM, _TERM.replace("w[{group[0]}]", "w[{group[ -1]}]")): _ALONE,
    ("plan", _OWN, _OWN.replace(" and ", " or ")): "the sum that is written in vain is used by nothing",
    ("conformity", _BOTH, _BOTH.replace("0.0)", "-1.0)")): "a distribution never falls",
    ("distributions", _FIRST, _FIRST.replace("z**3", "z** 4")): "a first guess; the steps lead to the same",
    ("plan", _DOF, _DOF.replace("> 0.0", "!= 0.0")): "a sum of squares is never negative",
    ("conformity", _GUARD, _GUARD.replace("U * (1.0 - _SLACK)", "U ** (1.0 - _SLACK)")): (
        "differs by a part in 10^12, which is what the slack forgives"
    ),
    ("network_water", _BY_DROP, _BY_DROP.replace("= 0.5", "= -0.5")): "only its square counts",
    ("outlet", _MANY, _MANY.replace("> 1", "!= 1")): "no readings at all are refused before",
    ("records", _PLAIN_KINDS, _PLAIN_KINDS.replace("bool or", "bool and")): (
        "what passes by here is returned by the last line, as it is"
    ),
    ("records", _OPTIONAL, _OPTIONAL.replace(" < ", " != ")): "leaving None out can only make them fewer",
    ("rooms", _SHARE, _SHARE.replace("0.0 <", "-1.0 <")): "`positive` refuses these before they are compared",
    ("network_aims", "if b == 0:", "if b <= 0:"): "a node's number is never negative",
    (
        "instrument",
        _NEAR,
        _NEAR.replace(" < ", " <= "),
    ): "a reading at the first point is inside: returned above",
    ("variance", _FORSYTHE, _FORSYTHE.replace("- 1.0", "- 2.0").replace("(n - 2.0)", "(n - 1.0)")): (
        "the recurrence takes the mean of x out: no shift of x is left in the polynomials"
    ),
    ("station_models", _OF_AIR, _OF_AIR.replace("0.0, 0.0, 0.0)", "0.0, 0.0, 1.0)")): _NOT_SHOWN,
    ("fan_remarks", _BOTH_WAYS, _BOTH_WAYS.replace(" and ", " or ")): (
        "`power_from_amps` gives both or neither, by the no-load current"
    ),
    ("phases", _NUMBERED, _NUMBERED.replace("(n, 1, 1)", "(n, 1, 0)")): (
        "readings of one line are told apart by their run; the point's number is only compared"
    ),
    ("instrument", _TWICE, _TWICE.replace("!=", "<")): "a set can only have fewer",
    (
        "coil",
        _BAROMETER,
        _BAROMETER.replace("else 0.0", "else 1.0"),
    ): "air without a barometer is refused before",
    (
        "coil",
        _BAROMETER,
        _BAROMETER.replace("else 0.0", "else -1.0"),
    ): "air without a barometer is refused before",
    ("room_models", _SCATTER, _SCATTER.replace("c * s", "c / s")): (
        "the scatter's factor is one and its errors are independent: only the square of its slope counts"
    ),
    **{
        ("water", line, line.replace("= 0.0", f"= {other}")): _NO_SHARE
        for name in ("density", "specific_heat", "viscosity")
        for line in [f"def water_{name}(temperature: float, share: float = 0.0) -> float:"]
        for other in ("1.0", "-1.0")
    },
    **{
        ("traverse", line, line.replace("dof > 0", "dof != 0")): "degrees of freedom are never below zero"
        for name in ("Fluctuation between runs", "Repeatability of runs")
        for line in [f'return [Effect("{name}", "velocity_factor", u, common, dof)] if dof > 0 else []']
    },
    ("fan_models", _OUTLET, _OUTLET.replace("else 0.0", "else -1.0")): (
        "only the total pressure has it, which is asked for with both areas only"
    ),
    ("measurements.evaluate", _NEWEST, _NEWEST.replace("session__in=sessions", "")): _MORE_FOUND,
    (
        "reports.reviewset",
        _CORRECTIONS,
        _CORRECTIONS.replace("session__in=[one.id for one in sessions]", ""),
    ): _MORE_FOUND,
    ("jobs.tenancy.models", _ID, _ID.replace("=False", "=True")): _NO_FORMS,
    ("jobs.tenancy.models", "editable=False,", "editable=True,"): _NO_FORMS,
    (
        "measurements.intake",
        _OF_COMPANY,
        _OF_COMPANY.replace("company_id = %b", "(company_id = %b OR TRUE)"),
    ): _BY_WALL,
    (
        "jobs.tenancy.audit",
        _FAULTS,
        _FAULTS.replace("row[0]", "row[ -1]"),
    ): "each query of a rule gives one column",
    ("measurements.evaluate", "claim.hold()", "pass"): (
        "who lost the lease is refused by `finish`, which takes back what was stored; holding spares the work"
    ),
    ("jobs.signins", _LIVING, _LIVING.replace("kind=TokenKind.PERSON, ", "")): (
        "only tokens of persons on tablets have a member"
    ),
    ("reports.signers", "row.save(force_insert=True)", "row.save(force_insert=False)"): (
        "Django inserts a new object whose key has a default without asking for it"
    ),
    (
        "measurements.corrected",
        "return check_session(0, session, readings, text)",
        "return check_session( 1, session, readings, text)",
    ): "its place in a batch, and a correction is in none",
    (
        "reports.signers",
        "if row is not None and row.id == claim.subject_id:",
        "if row is not None and row.id <= claim.subject_id:",
    ): "ids grow with time, so none is above the newest's",
    ("reports.issue", "KEY_BYTES = 24", "KEY_BYTES = 23"): "184 bits are guessed as little as 192",
    ("jobs.tenancy.backend.operations", "return 55", "return 56"): (
        "a shard's number takes seven characters of the 63, so 56 leave room as well"
    ),
}
