/**
 * A round of balancing: outlets of a branch with their shares, which damper next and set to what, readings
 * entered as the round goes. Each reading is a finished session on the disk before the next is asked for.
 */

import { ask, h, replace, svg } from "./dom.js";
import { Offline, Refused, SignedOut } from "./outbox.js";
import { stamp } from "./ids.js";
import { keypad } from "./keypad.js";
import { liveTarget } from "./proportional.js";
import { factorOf, fetchBalance, modelOf, staleOf } from "./rounds.js";
import { stateMark } from "./states.js";
import { inUnit, parse, shown as figures, symbolOf, toSI, unitsOf, usualUnit, withUnit } from "./units.js";
import { say } from "./words.js";

const ASK_EVERY = 20_000;
const TOOLS = { hood: "flow_hood", temperature: "thermometer", humidity: "hygrometer", barometer: "barometer" };
const AIR = [
  ["air_temperature", "temperature", () => gettext("Air temperature"), true],
  ["relative_humidity", "humidity", () => gettext("Relative humidity"), false],
  ["barometric_pressure", "absolute_pressure", () => gettext("Barometer"), false],
];
const CAUTIONS = () => [
  gettext("Smoke control, isolation rooms, laboratories, operating rooms: change nothing without the authority in charge."),
  gettext("Changing exhaust or supply near fuel-burning appliances can draw combustion gases into rooms: check draft and carbon monoxide."),
  gettext("Never run a motor above its nameplate or a fan above its maximum speed."),
  gettext("Ladders, roofs and confined spaces: work by the site's rules, never alone where they ask for two."),
];

export function title(context, jobId, systemId) {
  const system = context.find(jobId)?.job.systems.find((one) => one.id === systemId);
  return system ? say(gettext("Balance %(system)s"), { system: system.tag }) : gettext("Balance");
}

export function back(_context, jobId) {
  return `#/job/${jobId}`;
}

export async function view(context, jobId, systemId) {
  const first = await modelOf(context, jobId, systemId);
  if (!first) return h("p", { class: "notice notice-warn" }, gettext("This system is not on your work list. What you measured on it is kept and sent."));
  const round = new RoundView(context, jobId, systemId, first);
  await round.open();
  return round.element;
}

class RoundView {
  constructor(context, jobId, systemId, model) {
    Object.assign(this, { context, jobId, systemId, model });
    this.units = context.person.units;
    this.next = h("section", { class: "round-next", "aria-live": "polite" });
    this.list = h("section", { class: "round-list" });
    this.chooser = h("nav", { class: "round-branches", "aria-label": gettext("Branches") });
    this.start = h("section", { class: "round-start" });
    this.element = h("div", { class: "round stack-wide" }, this.start, this.chooser, this.next, this.list);
    this.element.dispose = () => this.close();
    this.branch = model.branches[0]?.id ?? null;
    this.entering = null;
  }

  get key() {
    return `round:${this.jobId}:${this.systemId}`;
  }

  async open() {
    this.kept = (await this.context.store.setting(this.key)) ?? null;
    if (this.kept && this.model.branches.some((one) => one.id === this.kept.branch)) this.branch = this.kept.branch;
    this.changed = () => { clearTimeout(this.soon); this.soon = setTimeout(() => this.redraw(), 80); };
    this.context.store.changed.addEventListener("change", this.changed);
    this.timer = setInterval(() => this.ask(), ASK_EVERY);
    this.draw();
    this.ask();
  }

  close() {
    clearInterval(this.timer);
    clearTimeout(this.soon);
    this.closed = true;
    this.context.store.changed.removeEventListener("change", this.changed);
  }

  /** What the service says, when there is network. */
  async ask() {
    try {
      await fetchBalance(this.context, this.jobId, this.systemId);
    } catch (error) {
      if (!(error instanceof Offline || error instanceof SignedOut || error instanceof Refused)) throw error;
    }
  }

  async redraw() {
    const model = await modelOf(this.context, this.jobId, this.systemId);
    if (!model || this.closed) return;
    this.model = model;
    const evaluated = [...model.figures.values()].flat().filter((one) => one.draft?.server?.evaluated && !one.final).length;
    if (evaluated && evaluated !== this.asked) { this.asked = evaluated; this.ask(); }
    this.draw();
  }

  draw() {
    const branch = this.model.branches.find((one) => one.id === this.branch) ?? this.model.branches[0];
    if (!branch) {
      replace(this.list, h("p", { class: "lead" }, gettext("No outlet of this system has a design flow: there is nothing to balance it to.")));
      return;
    }
    this.current = branch;
    this.stale = staleOf(this.model);
    replace(this.chooser, this.model.branches.length > 1 ? this.model.branches.map((one) => this.#tab(one)) : null, this.#fans());
    replace(this.start, this.#started());
    if (!this.entering) replace(this.next, this.kept ? this.#todo(branch) : null);
    replace(this.list, this.#outlets(branch), this.#whole());
  }

  #tab(one) {
    const chosen = one.id === this.branch;
    return h("button", {
      type: "button", class: "button plain round-tab", "aria-pressed": String(chosen),
      onclick: async () => { this.branch = one.id; this.entering = null; await this.#keep({ branch: one.id }); this.draw(); },
    }, h("strong", {}, one.tag || gettext("Trunk")), " ", h("span", {}, doing(one.state.do)));
  }

  #fans() {
    return this.model.fans.map((fan) => h("a", { class: "button plain round-tab", href: `#/fan/${this.jobId}/${fan.id}` },
      say(gettext("Fan %(tag)s"), { tag: fan.tag })));
  }

  // ---- conditions and instruments, once a round ----------------------------------------------------------

  #started() {
    if (this.starting || !this.kept) return this.#startForm();
    const hood = this.model.job.instruments.find((tool) => tool.id === this.kept.instruments.hood);
    const air = AIR.map(([name, quantity]) => this.kept.conditions[name] && figure(this.kept.conditions[name], quantity)).filter(Boolean);
    return h("p", { class: "round-with" },
      h("span", {}, [hood ? `${hood.name} ${hood.serial}` : gettext("no flow hood"), ...air].join(" · ")), " ",
      h("button", { type: "button", class: "button plain quiet", onclick: () => { this.starting = true; this.draw(); } }, gettext("Change")));
  }

  #startForm() {
    const kept = this.kept ?? { instruments: {}, conditions: {} };
    const fields = new Map();
    const fault = h("p", { class: "keypad-fault", role: "alert" });
    const air = AIR.map(([name, quantity, words, needed]) => {
      const unit = kept.conditions[name]?.unit ?? usualUnit(quantity, this.units);
      const input = h("input", { type: "text", inputmode: "decimal", autocomplete: "off", maxlength: 24, value: kept.conditions[name]?.value ?? "" });
      fields.set(name, { input, unit, needed, words: words() });
      return h("label", { class: "round-field" }, h("span", {}, words(), needed ? "" : h("small", { class: "soft" }, " ", gettext("if known"))),
        h("span", { class: "round-figure" }, input, h("span", { class: "soft" }, symbolOf(unit, quantity))));
    });
    const tools = Object.entries(TOOLS).map(([use, kind]) => this.#toolField(use, kind, kept, fields)).filter(Boolean);
    return h("form", { class: "round-form", novalidate: true, onsubmit: (event) => { event.preventDefault(); this.#begin(fields, fault); } },
      h("h2", {}, this.kept ? gettext("This round is read with") : gettext("Before the round")),
      this.kept ? null : h("ul", { class: "round-cautions" }, (this.model.server?.cautions ?? CAUTIONS()).map((text) => h("li", {}, text))),
      h("div", { class: "round-fields" }, tools, air), fault,
      h("div", { class: "actions" }, h("button", { class: "button", type: "submit" }, this.kept ? gettext("Keep") : gettext("Start the round"))));
  }

  #toolField(use, kind, kept, fields) {
    const found = this.model.job.instruments.filter((tool) => tool.kind === kind);
    if (!found.length && use !== "hood") return null;
    if (!found.length) return h("p", { class: "notice notice-warn" }, gettext("No flow hood is planned for this job: outlets cannot be read here."));
    const best = kept.instruments[use] ?? (found.find((tool) => tool.certificate?.in_force) ?? found[0]).id;
    const select = h("select", {}, found.map((tool) => h("option", { value: tool.id, selected: tool.id === best },
      `${tool.name} ${tool.serial}${tool.certificate?.in_force ? "" : ` (${gettext("no certificate in force")})`}`)));
    fields.set(`tool:${use}`, { select });
    const words = { hood: gettext("Flow hood"), temperature: gettext("Thermometer"), humidity: gettext("Hygrometer"), barometer: gettext("Barometer") };
    return h("label", { class: "round-field" }, h("span", {}, words[use]), select);
  }

  async #begin(fields, fault) {
    const conditions = {}, instruments = {};
    for (const [name, field] of fields) {
      if (field.select) { instruments[name.slice(5)] = field.select.value; continue; }
      const value = field.input.value.trim().replace(",", ".");
      if (!value && !field.needed) continue;
      const wrong = parse(value).fault;
      if (wrong) { replace(fault, `${field.words}: ${wrong}`); field.input.focus(); return; }
      conditions[name] = { value, unit: field.unit };
    }
    if (!conditions.relative_humidity) delete instruments.humidity;
    if (!conditions.barometric_pressure) delete instruments.barometer;
    this.starting = false;
    await this.#keep({ conditions, instruments, at: stamp(this.context.now()) });
    this.draw();
  }

  async #keep(more) {
    this.kept = { conditions: {}, instruments: {}, unit: null, branch: this.branch, ...(this.kept ?? {}), ...more };
    if (!this.kept.at) this.kept = null; // a branch looked at before the round has begun
    else await this.context.store.setSetting(this.key, this.kept);
  }

  // ---- what to do next ------------------------------------------------------------------------------------

  #todo(branch) {
    const { state } = branch;
    if (state.do === "read" || state.do === "again") return this.#reading(branch);
    if (state.do === "adjust") return this.#turning(branch, branch.open[0]);
    if (state.do === "equal") return this.#equal(branch);
    return h("div", { class: "stack" }, h("h2", {}, gettext("No plan for this branch")),
      h("p", {}, state.refused || gettext("Nothing more can be turned, and the shares still differ. See the remarks; ask the supervisor.")), remarks(branch));
  }

  #reading(branch) {
    const missing = branch.state.missing.map((id) => this.model.tree.byId.get(id));
    const again = branch.state.do === "again";
    const words = again
      ? gettext("The dampers are set. Others moved with each of them: read every outlet once more, touch nothing.")
      : gettext("Read every outlet once, dampers open, touch nothing meanwhile.");
    return h("div", { class: "stack" },
      h("h2", {}, again ? gettext("Next: read again") : gettext("Next: read"), " ", h("strong", {}, missing[0]?.tag ?? "")),
      h("p", {}, missing[0]?.location ?? ""), h("p", {}, words),
      h("p", { class: "soft" }, say(gettext("%(left)s of %(all)s outlets are left."), { left: missing.length, all: branch.outlets.length })),
      missing[0] ? this.#enterButton(missing[0], null, gettext("Enter the reading")) : null);
  }

  #turning(branch, step) {
    const point = this.model.tree.byId.get(step.point), stays = this.model.tree.byId.get(branch.stays);
    const target = step.target * this.#looked(branch), shut = step.action === "shut";
    const verb = { close: gettext("Close until the hood shows"), open: gettext("Open until the hood shows"), shut: gettext("Shut it: the design flow is zero") }[step.action];
    const nth = branch.steps.length - branch.open.length + 1;
    const watched = stays && stays.id !== point.id && step.watch;
    return h("div", { class: "stack" },
      h("h2", {}, gettext("Next:"), " ", h("strong", {}, point.tag), " ", h("span", { class: "soft" }, point.location ?? "")),
      h("p", { class: "round-do" }, verb, shut ? null : h("strong", { class: "round-target" }, this.#shown(point, target))),
      shut ? h("p", {}, gettext("Never shut an outlet of an exhaust hood or of a room under pressure control without the word of whoever answers for it."))
        : h("p", { class: "soft" }, say(gettext("%(share)s of design. Before you turn it shows about %(before)s."), {
          share: percent(target / point.design_flow_m3_s), before: this.#shown(point, step.before * this.#looked(branch)),
        })),
      watched ? h("p", {}, say(gettext("%(tag)s has the lowest share and stays open; the others are brought to it. It should show %(now)s now."), {
        tag: stays.tag, now: this.#shown(stays, step.watch * this.#looked(branch)),
      })) : null,
      h("p", { class: "soft" }, say(gettext("Damper %(nth)s of %(all)s."), { nth, all: branch.steps.length }), " ",
        branch.source === "tablet" ? gettext("Worked out on this tablet.") : gettext("Worked out by the service.")),
      h("div", { class: "actions" },
        this.#enterButton(point, { ...step, target }, gettext("Set and read")),
        watched ? h("button", { type: "button", class: "button plain", onclick: () => this.#look(branch, step, stays) }, say(gettext("%(tag)s shows something else"), { tag: stays.tag })) : null,
        step.gain ? h("button", { type: "button", class: "button plain", onclick: () => this.#before(point, step) }, say(gettext("%(tag)s shows something else"), { tag: point.tag })) : null,
        branch.open[1] ? h("button", { type: "button", class: "button plain", onclick: () => this.#skip(branch) }, gettext("Another damper first")) : null),
      remarks(branch));
  }

  /** How far the outlet that stays open was seen from its expected flow: all of the branch follow it alike. */
  #looked(branch) {
    const look = this.kept?.look;
    return look && look.branch === branch.id && look.until === branch.state.until ? look.ratio : 1;
  }

  /** A look at the outlet that stays open: what hangs on one duct goes up and down together. */
  #look(branch, step, stays) {
    this.#pad({
      label: say(gettext("%(tag)s, which stays open, shows"), { tag: stays.tag }),
      hint: say(gettext("Expected: %(flow)s. A look only, no reading is kept."), { flow: this.#shown(stays, step.watch * this.#looked(branch)) }),
      enter: gettext("Correct the targets"),
      done: async (value) => {
        const ratio = value / this.#factor(stays) / step.watch;
        if (!(ratio > 0.5 && ratio < 2)) return gettext("That is far from what is expected: look at the hood, or read the whole branch again.");
        await this.#keep({ look: { branch: branch.id, until: branch.state.until, ratio } });
        this.entering = null;
        this.draw();
        return "";
      },
    });
  }

  /** A reading before turning that is not as expected moves the target: by so much as the plan says. */
  #before(point, step) {
    this.#pad({
      label: say(gettext("%(tag)s shows, before turning"), { tag: point.tag }),
      hint: say(gettext("Expected: %(flow)s. A look only, no reading is kept."), { flow: this.#shown(point, step.before) }),
      enter: gettext("Correct the target"),
      done: async (value) => {
        await this.#enter(point, { ...step, target: liveTarget(step, value / this.#factor(point)) });
        return "";
      },
    });
  }

  /** A keypad for a look. `done` takes m³/s as shown and returns what is wrong with it, or nothing. */
  #pad({ label, hint, enter, done }) {
    this.entering = { label };
    const pad = keypad(this.context, {
      label, hint, enter, unit: this.#unit(), units: flowUnits(), quantity: "flow",
      onenter: async (text, unit) => {
        const wrong = await done(toSI(Number(text), unit, "flow"));
        if (wrong) pad.fault(wrong);
      },
    });
    replace(this.next, h("div", { class: "stack" }, pad, this.#cancel()));
    pad.focus();
  }

  async #skip(branch) {
    const chosen = await ask({
      title: gettext("Which damper?"),
      text: gettext("The largest adjustment first is best; another order works too, and then takes a second look."),
      actions: [...branch.open.map((step) => ({ label: this.model.tree.byId.get(step.point).tag, value: step, kind: "plain" })),
        { label: gettext("Read all again now"), value: "read", kind: "plain" }, { label: gettext("Back"), value: null, kind: "plain" }],
    });
    if (chosen === "read") {
      replace(this.next, this.#reading({ ...branch, state: { ...branch.state, do: "again", missing: branch.outlets.map((one) => one.id) } }));
    } else if (chosen) replace(this.next, this.#turning({ ...branch, open: [chosen] }, chosen));
  }

  #equal(branch) {
    const others = this.model.branches.filter((one) => one.state.do !== "equal");
    const unmarked = branch.outlets.filter((end) => !this.model.figures.get(end.id).at(-1)?.marked);
    return h("div", { class: "stack" },
      h("h2", {}, gettext("Equal:"), " ", h("strong", {}, branch.tag)),
      h("p", {}, say(gettext("All outlets have the same share within ±%(part)s; they lie from %(low)s to %(high)s of the common share."), {
        part: percent(branch.tolerance), low: percent(branch.state.plan.lowest, 1), high: percent(branch.state.plan.highest, 1),
      })),
      unmarked.length ? h("p", {}, say(ngettext("%(count)s damper has no mark yet: mark it where it stands and tell so with its last reading.",
        "%(count)s dampers have no mark yet: mark them where they stand and tell so with their last reading.", unmarked.length), { count: unmarked.length })) : null,
      h("p", {}, others.length ? say(gettext("Next branch: %(tag)s, %(doing)s."), { tag: others[0].tag, doing: doing(others[0].state.do) })
        : this.model.server?.balanced ? gettext("The system is within tolerance, by the decision rule.")
        : this.model.branches.length > 1 ? gettext("All branches are equal in themselves. Branches against each other, then the fan: see below.")
        : gettext("Now the fan brings the total to design: see the fan sheet.")));
  }

  #enterButton(point, step, words) {
    return h("button", { type: "button", class: "button round-go", onclick: () => this.#enter(point, step) }, words);
  }

  #cancel() {
    return h("button", { type: "button", class: "button plain", onclick: () => { this.entering = null; this.draw(); } }, gettext("Back without a reading"));
  }

  // ---- entering a reading ---------------------------------------------------------------------------------

  async #enter(point, step) {
    if (point.kind !== "outlet") { await this.#elsewhere(point); return; }
    this.entering = { point };
    const rows = this.model.figures.get(point.id);
    const target = step?.target;
    const turned = { value: Boolean(step) }, damper = step?.damper ?? null;
    const setting = h("input", { type: "text", id: "round-setting", maxlength: 60, autocomplete: "off", placeholder: gettext("e.g. 4 of 8"), value: step ? "" : rows.at(-1)?.setting ?? "" });
    const marked = h("input", { type: "checkbox", checked: !step && Boolean(rows.at(-1)?.marked) });
    const choice = h("div", { class: "round-choice", role: "group", "aria-label": gettext("The damper") });
    const choose = (value) => {
      turned.value = value;
      replace(choice, [[false, gettext("Only read")], [true, damper ? say(gettext("%(tag)s turned, then read"), { tag: damper.tag }) : gettext("Turned, then read")]].map(([which, words]) =>
        h("button", { type: "button", class: "button plain", "aria-pressed": String(turned.value === which), onclick: () => choose(which) }, words)));
    };
    choose(turned.value);
    const pad = keypad(this.context, {
      label: say(gettext("%(tag)s: the hood shows"), { tag: point.tag }), unit: this.#unit(), units: flowUnits(), quantity: "flow",
      hint: target ? say(gettext("To set: %(target)s"), { target: this.#shown(point, target) }) : say(gettext("Design %(design)s"), { design: this.#flow(point.design_flow_m3_s) }),
      enter: gettext("Keep this reading"),
      onenter: async (text, unit) => {
        const told = setting.value.trim();
        if (turned.value && !told) { pad.fault(gettext("Tell where the damper stands now, e.g. 4 of 8.")); setting.focus(); return; }
        if (!(await this.#plausible(point, text, unit))) return;
        await this.#store(point, { text, unit, told, turned: turned.value, marked: marked.checked, target, damper });
      },
    });
    replace(this.next, h("div", { class: "round-enter" }, pad, h("div", { class: "stack" }, choice,
      h("label", { class: "round-field", for: "round-setting" }, h("span", {}, damper ? say(gettext("Damper of %(tag)s stands at"), { tag: damper.tag }) : gettext("Damper stands at")), setting),
      h("label", { class: "round-check" }, marked, h("span", {}, gettext("Marked on the damper"))),
      this.#cancel())));
    this.next.scrollIntoView({ block: "nearest" });
    pad.focus();
  }

  /** Valves and fixed devices are read with their own steps. */
  async #elsewhere(point) {
    const method = this.context.worklist.methods.find((one) => one.measurand === "flow" && one.points.includes(point.kind));
    const rows = this.model.figures.get(point.id), before = rows.at(-1)?.session ?? point.current_session;
    const more = before ? { supersedes: { session: before, reason: this.#reason(rows, true) } } : {};
    const draft = await this.context.newSession(this.jobId, point.id, method.method, more);
    this.context.go(`#/measure/${draft.id}`);
  }

  /** Ten times design is a unit mistake more often than air. */
  async #plausible(point, text, unit) {
    const value = toSI(Number(text), unit, "flow"), design = point.design_flow_m3_s;
    if (!design || (value <= 3 * design && value >= design / 10)) return true;
    return Boolean(await ask({
      title: gettext("Is this figure right?"),
      text: say(gettext("%(value)s is %(share)s of the design of %(tag)s."), { value: withUnit(text, unit, "flow"), share: percent(value / design), tag: point.tag }),
      actions: [{ label: gettext("Enter it again"), value: null }, { label: gettext("It is what the hood shows"), value: true, kind: "plain" }],
    }));
  }

  async #store(point, { text, unit, told, turned, marked, target, damper }) {
    const { context } = this, rows = this.model.figures.get(point.id), at = stamp(context.now());
    const before = rows.findLast((one) => one.draft?.state !== "refused")?.session ?? point.current_session;
    const done = turned ? (target ? say(gettext("Set towards %(target)s"), { target: this.#shown(point, target) }) : gettext("Turned")) : "";
    const stood = { setting: told, marked, done };
    const adjustment = !told ? {} : !damper ? { adjustment: stood } : turned ? { turned: [{ test_point: damper.id, ...stood }] } : {};
    const draft = await context.newSession(this.jobId, point.id, "hood_reading", {
      conditions: this.kept.conditions, instruments: this.kept.instruments, ...adjustment,
      ...(before ? { supersedes: { session: before, reason: this.#reason(rows, turned) } } : {}),
      readings: [{ run: 1, line: 1, point: 1, quantity: "flow", value: text, unit, taken_at: at, place: "flow" }],
    });
    await context.outbox.finish(draft.id);
    await this.#keep({ unit });
    this.entering = null;
    const value = toSI(Number(text), unit, "flow") / this.#factor(point);
    const share = point.design_flow_m3_s ? `, ${percent(value / point.design_flow_m3_s)}` : "";
    context.say(say(gettext("%(tag)s: %(value)s%(share)s, on this tablet."), { tag: point.tag, value: withUnit(text, unit, "flow"), share }));
    await this.redraw();
    if (marked) await this.#photo(damper ?? point);
  }

  async #photo(point) {
    const photos = await this.context.store.photos(this.jobId, point.id);
    if (photos.some((one) => one.kind === "photo")) return;
    const chosen = await ask({
      title: say(gettext("A photo of the mark on %(tag)s?"), { tag: point.tag }),
      text: gettext("It shows years later where the damper was left."),
      actions: [{ label: gettext("Take a photo"), value: true }, { label: gettext("Not now"), value: null, kind: "plain" }],
    });
    if (chosen) this.context.go(`#/photos/${this.jobId}/${point.id}`);
  }

  #reason(rows, turned) {
    const number = rows.length + 1;
    return turned ? say(gettext("Round %(number)s after adjustment"), { number }) : say(gettext("Round %(number)s"), { number });
  }

  // ---- the list -------------------------------------------------------------------------------------------

  #outlets(branch) {
    const next = branch.state.do === "adjust" ? branch.open[0]?.point : branch.state.missing[0];
    return h("div", {},
      h("h2", {}, branch.tag ? say(gettext("Outlets of %(tag)s"), { tag: branch.tag }) : gettext("Outlets")),
      h("p", { class: "soft round-legend" }, gettext("Share of design against the tolerance. Ring: first round. Dot: last reading, with its uncertainty once the service has told it.")),
      h("ul", { class: "rows round-rows" }, branch.outlets.map((end) => this.#row(branch, end, next))));
  }

  #row(branch, end, next) {
    const rows = this.model.figures.get(end.id), read = rows.filter((one) => one.value !== null);
    const last = read.at(-1), first = read.length > 1 ? read[0] : null;
    const words = this.#state(branch, end, last, next);
    return h("li", { class: end.id === next ? "is-next" : null }, h("button", {
      class: "row", type: "button", disabled: !this.kept, onclick: () => this.#enter(end, this.#stepAt(branch, end)),
    },
    h("span", { class: "row-name" }, end.tag, h("small", { class: "soft" }, end.location ?? "")),
    h("span", { class: "number" }, last ? this.#flow(last.value) : "–", h("small", { class: "soft" }, say(gettext("of %(design)s"), { design: end.design_flow_m3_s === null ? "–" : this.#flow(end.design_flow_m3_s) }))),
    h("span", { class: "round-bar" }, last && last.share !== null ? bar(end, last, first) : null),
    h("span", { class: "round-share number" }, last && last.share !== null ? percent(last.share) : ""),
    h("span", { class: "round-state" }, h("strong", {}, words),
      h("small", { class: "soft" }, last?.setting ? `${last.setting}${last.marked ? `, ${gettext("marked")}` : ""}` : ""),
      last?.draft && last.draft.state !== "stored" ? stateMark(last.draft) : null)));
  }

  #stepAt(branch, end) {
    const step = branch.state.do === "adjust" ? branch.open.find((one) => one.point === end.id) : null;
    return step ? { ...step, target: step.target * this.#looked(branch) } : null;
  }

  #state(branch, end, last, next) {
    if (end.id === next) return branch.state.do === "adjust" ? gettext("turn next") : gettext("read next");
    if (!last) return gettext("not read");
    if (end.design_flow_m3_s === null) return gettext("no design flow");
    if (end.id === branch.stays && ["adjust", "again"].includes(branch.state.do)) return gettext("lowest, stays open");
    if (this.#stepAt(branch, end)) return gettext("to be turned");
    if (this.stale.has(end.id)) return gettext("read again later");
    if (last.verdict) return last.verdict.replaceAll("_", " ");
    return last.share < 1 - (end.tolerance_below ?? 1) ? gettext("low") : last.share > 1 + (end.tolerance_above ?? Infinity) ? gettext("high") : gettext("within");
  }

  /** Branches against each other: the service's plan, as it was when there was network last. */
  #whole() {
    const whole = this.model.server?.whole;
    if (!whole || !["branches", "survey", "fan", "open"].includes(this.model.server.phase)) return null;
    const tag = (id) => this.model.system.points.find((one) => one.id === id)?.tag ?? "";
    const made = Date.parse(whole.surveyed_at);
    const open = whole.steps.filter((step) => !step.done && !this.model.moves.some((one) => one.point === step.point && one.at > made));
    return h("section", {}, h("h2", {}, gettext("Branches to each other")),
      this.model.server.phase === "survey" ? h("p", {}, gettext("Read every outlet of the system once, touching nothing: then the service plans the branch dampers.")) : null,
      open.length ? h("ol", { class: "rows" }, open.map((step) => h("li", {}, h("button", {
        class: "row", type: "button", disabled: !this.kept, onclick: () => this.#enterWhole(step),
      },
      h("span", { class: "row-name" }, tag(step.point)),
      h("span", {}, { close: gettext("close"), open: gettext("open"), shut: gettext("shut") }[step.action]),
      h("span", { class: "number" }, this.#shown(this.model.tree.byId.get(step.read_at), step.target.value)),
      h("span", { class: "soft" }, say(gettext("read at %(tag)s, %(share)s of design"), { tag: tag(step.read_at), share: step.share === null ? "" : percent(step.share) })))))) : null,
      h("p", { class: "soft" }, gettext("From the service, when it was in contact last.")));
  }

  /** A step of the whole system: a branch's damper is read at an outlet below it. */
  #enterWhole(step) {
    const { byId } = this.model.tree, point = byId.get(step.read_at);
    return this.#enter(point, { ...step, target: step.target.value, damper: step.point === step.read_at ? null : byId.get(step.point) });
  }

  // ---- figures --------------------------------------------------------------------------------------------

  #unit() {
    return this.kept?.unit ?? usualUnit("flow", this.units);
  }

  #flow(value) {
    return inUnit(value, this.#unit(), "flow");
  }

  #factor(point) {
    const place = { instruments: this.model.job.instruments, elevation: this.model.job.site.elevation_m, density: this.context.worklist.company.standard_density };
    return factorOf(point, this.model.factors, place, this.kept);
  }

  /** What the instrument shows at a flow on the basis of the design. */
  #shown(point, value) {
    return inUnit(value * this.#factor(point), this.#unit(), "flow");
  }
}

function flowUnits() {
  return unitsOf("flow").filter((unit) => !unit.includes("gal") && unit !== "L/min");
}

function doing(state) {
  return {
    read: gettext("to be read"), adjust: gettext("dampers to set"), again: gettext("to be read again"),
    equal: gettext("equal"), stuck: gettext("needs a look"),
  }[state];
}

function remarks(branch) {
  const said = branch.remarks.filter((one) => one.severity !== "remark");
  return said.length ? h("ul", { class: "round-remarks" }, said.map((one) => h("li", {}, one.seen, " ", one.advice))) : null;
}

function figure(amount, quantity) {
  return withUnit(amount.value, amount.unit, quantity);
}

/** No more digits than a hood's reading allows. */
function percent(share, decimals = 0) {
  return `${figures(share * 100, decimals)}\u202f%`;
}

const LOW = 0.6, HIGH = 1.4, WIDE = 240, TALL = 36;

/** The last share against the band, with its interval; the first reading pale. To scale, from 60 to 140 %. */
function bar(end, last, first) {
  const x = (share) => WIDE * (Math.min(Math.max(share, LOW), HIGH) - LOW) / (HIGH - LOW);
  const low = x(1 - (end.tolerance_below ?? 0.4)), high = x(1 + (end.tolerance_above ?? 0.4)), middle = TALL / 2;
  const out = last.share < LOW || last.share > HIGH;
  const words = say(gettext("%(share)s of design; tolerance from %(low)s to %(high)s"), {
    share: percent(last.share), low: percent(1 - (end.tolerance_below ?? 1)), high: percent(1 + (end.tolerance_above ?? 1)),
  });
  return svg("svg", { viewBox: `0 0 ${WIDE} ${TALL}`, preserveAspectRatio: "xMinYMid meet", class: "share-bar", role: "img", "aria-label": words },
    svg("line", { x1: 0, x2: WIDE, y1: middle, y2: middle, class: "share-axis" }),
    svg("rect", { x: low, y: 6, width: Math.max(high - low, 1), height: TALL - 12, class: "share-band" }),
    svg("line", { x1: x(1), x2: x(1), y1: 2, y2: TALL - 2, class: "share-design" }),
    first && first.share !== null ? svg("circle", { cx: x(first.share), cy: middle, r: 6, class: "share-first" }) : null,
    last.shareU ? svg("line", { x1: x(last.share - last.shareU), x2: x(last.share + last.shareU), y1: middle, y2: middle, class: "share-interval" }) : null,
    out ? svg("path", { d: last.share < LOW ? `M10 ${middle - 9}L0 ${middle}L10 ${middle + 9}z` : `M${WIDE - 10} ${middle - 9}L${WIDE} ${middle}L${WIDE - 10} ${middle + 9}z`, class: "share-last" })
      : svg("circle", { cx: x(last.share), cy: middle, r: 7, class: "share-last" }));
}
