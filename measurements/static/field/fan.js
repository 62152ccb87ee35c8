/**
 * Fan and motor sheet: nameplate limits large beside the readings. A reading above one of them says so at once
 * and tells to stop. Each figure typed is kept on the disk; the sheet is sent as one fan test.
 */

import { h, replace } from "./dom.js";
import { stamp } from "./ids.js";
import { Offline, Refused, SignedOut } from "./outbox.js";
import { fetchBalance, keyOf } from "./rounds.js";
import { stateMark } from "./states.js";
import { asTyped, fromSI, parse, significant, toSI, usualUnit } from "./units.js";
import * as units from "./units.js";
import { say } from "./words.js";

/** Further than this from the nameplate's voltage a motor is not meant to run (NEMA MG 1, from memory). */
const VOLTAGE = 0.1;
const TOOLS = {
  pressure: "manometer", speed: "tachometer", voltage: "electrical", current: "electrical", power: "electrical",
  power_factor: "electrical", temperature: "thermometer", humidity: "hygrometer", barometer: "barometer",
};
const PLATE = () => [
  ["nameplate_current", "current", gettext("Motor current")],
  ["nameplate_power", "power", gettext("Motor power")],
  ["nameplate_voltage", "voltage", gettext("Motor voltage")],
  ["nameplate_speed", "speed", gettext("Motor speed")],
  ["maximum_speed", "speed", gettext("Maximum speed of the fan")],
  ["motor_sheave", "length", gettext("Sheave on the motor")],
  ["fan_sheave", "length", gettext("Sheave on the fan")],
];
const NOTES = () => [["service_factor", gettext("Service factor")], ["belts", gettext("Belts, number and size")]];
const TOLD = () => [
  ["flow", "flow", gettext("Flow through the fan, as measured")],
  ["inlet_area", "area", gettext("Area of the duct at the inlet tap")],
  ["motor_efficiency", "fraction", gettext("Efficiency of the motor, if known")],
];
const READ = () => [
  ["speed", "speed", 1, gettext("Speed of the fan")],
  ["current", "current", 1, gettext("Current, phase 1")],
  ["current", "current", 2, gettext("Current, phase 2")],
  ["current", "current", 3, gettext("Current, phase 3")],
  ["voltage", "voltage", 1, gettext("Voltage 1–2")],
  ["voltage", "voltage", 2, gettext("Voltage 2–3")],
  ["voltage", "voltage", 3, gettext("Voltage 3–1")],
  ["power", "power", 1, gettext("Electrical power, if read")],
  ["power_factor", "factor", 1, gettext("Power factor, if read")],
  ["zero_before", "pressure", 1, gettext("Manometer with both ports open, before")],
  ["inlet_pressure", "pressure", 1, gettext("Static pressure before the fan")],
  ["outlet_pressure", "pressure", 1, gettext("Static pressure after the fan")],
  ["zero_after", "pressure", 1, gettext("Manometer with both ports open, after")],
];
const AIR = () => [
  ["air_temperature", "temperature", gettext("Air temperature at the fan")],
  ["relative_humidity", "humidity", gettext("Relative humidity, if known")],
  ["barometric_pressure", "absolute_pressure", gettext("Barometer, if known")],
];

/** Revolutions are said in full: "1 500 1/min" would be read as another number. */
function symbolOf(code, quantity) {
  return code === "/min" ? gettext("r/min") : units.symbolOf(code, quantity);
}

function withUnit(text, code, quantity) {
  return code === "/min" ? `${text}\u202f${symbolOf(code, quantity)}` : units.withUnit(text, code, quantity);
}

function inUnit(si, code, quantity, digits = 3) {
  return withUnit(significant(fromSI(si, code, quantity), digits), code, quantity);
}

export function title(context, jobId, pointId) {
  const point = context.find(jobId, pointId)?.point;
  return point ? say(gettext("Fan and motor %(tag)s"), { tag: point.tag }) : gettext("Fan and motor");
}

export function back(context, jobId, pointId) {
  const system = context.find(jobId, pointId)?.system;
  return system ? `#/round/${jobId}/${system.id}` : `#/job/${jobId}`;
}

export async function view(context, jobId, pointId) {
  const found = context.find(jobId, pointId);
  if (!found?.point) return h("p", { class: "notice notice-warn" }, gettext("This fan is not on your work list. What you measured on it is kept and sent."));
  const sheet = new Sheet(context, found);
  await sheet.open();
  return sheet.element;
}

class Sheet {
  constructor(context, { job, system, point }) {
    Object.assign(this, { context, job, system, point, units: context.person.units });
    this.plateBox = h("section", { "aria-label": gettext("Nameplate") });
    this.stop = h("div", { role: "alert" });
    this.change = h("section", {});
    this.done = h("section", {});
    this.element = h("div", { class: "stack-wide" }, this.done, this.plateBox, this.stop, this.change);
    this.element.dispose = () => { this.closed = true; this.context.store.changed.removeEventListener("change", this.changed); };
  }

  get key() { return `fan:${this.job.id}:${this.point.id}`; }

  get plateKey() { return `plate:${this.point.id}`; }

  async open() {
    const { store } = this.context;
    this.served = await this.#served();
    this.plate = (await store.setting(this.plateKey)) ?? this.#plateOf(this.served);
    this.typed = (await store.setting(this.key)) ?? { ...(await this.#air()) };
    this.changed = () => { clearTimeout(this.soon); this.soon = setTimeout(() => this.#news(), 80); };
    store.changed.addEventListener("change", this.changed);
    this.#drawPlate();
    this.form = this.#form();
    this.element.append(this.form);
    this.#look();
    await this.#news();
    this.#ask();
  }

  async #ask() {
    try {
      await fetchBalance(this.context, this.job.id, this.system.id);
    } catch (error) {
      if (!(error instanceof Offline || error instanceof SignedOut || error instanceof Refused)) throw error;
    }
  }

  async #served() {
    const kept = (await this.context.store.setting(keyOf(this.job.id, this.system.id)))?.content;
    this.phase = kept?.phase ?? "";
    return kept?.fans.find((one) => one.id === this.point.id) ?? null;
  }

  /** The air as the round's start had it. */
  async #air() {
    const kept = await this.context.store.setting(`round:${this.job.id}:${this.system.id}`);
    const found = {};
    for (const [name, quantity] of AIR()) {
      const one = kept?.conditions[name];
      if (one && one.unit === this.#unit(quantity)) found[`air:${name}`] = one.value;
    }
    return found;
  }

  #plateOf(served) {
    const plate = {};
    for (const [name, quantity] of PLATE()) {
      const si = served?.plate[name];
      if (si) plate[name] = { value: significant(fromSI(si, this.#unit(quantity), quantity), 4), unit: this.#unit(quantity) };
    }
    return plate;
  }

  #unit(quantity) {
    if (quantity === "power" && this.units !== "ip") return "kW";
    return usualUnit(quantity, this.units);
  }

  // ---- plate ----------------------------------------------------------------------------------------------

  #drawPlate() {
    const known = PLATE().filter(([name]) => this.plate[name]);
    if (this.editing || known.length < 2) { replace(this.plateBox, this.#plateForm()); return; }
    replace(this.plateBox,
      h("div", { class: "head-row" }, h("h2", {}, gettext("Nameplate and limits")),
        h("button", { type: "button", class: "button plain", onclick: () => { this.editing = true; this.#drawPlate(); } }, gettext("Change"))),
      h("dl", { class: "plate" },
        PLATE().map(([name, quantity, words]) => this.plate[name] && h("div", {}, h("dt", {}, words), h("dd", {}, withUnit(this.plate[name].value, this.plate[name].unit, quantity)))),
        NOTES().map(([name, words]) => this.plate[name] && h("div", {}, h("dt", {}, words), h("dd", {}, this.plate[name])))),
      h("p", {}, h("strong", {}, gettext("Never run the motor above its nameplate or the fan above its maximum speed.")), " ",
        this.plate.service_factor ? gettext("The service factor is a reserve, not a limit to balance to.") : ""));
  }

  #plateForm() {
    const inputs = new Map();
    const fault = h("p", { class: "keypad-fault", role: "alert" });
    const field = (name, words, quantity) => {
      const input = h("input", { type: "text", inputmode: quantity ? "decimal" : null, autocomplete: "off", maxlength: quantity ? 24 : 80, value: (quantity ? this.plate[name]?.value : this.plate[name]) ?? "" });
      inputs.set(name, { input, quantity, words });
      return h("label", { class: "round-field" }, h("span", {}, words),
        quantity ? h("span", { class: "round-figure" }, input, h("span", { class: "soft" }, symbolOf(this.#unit(quantity), quantity))) : input);
    };
    return h("form", { class: "round-form", novalidate: true, onsubmit: async (event) => { event.preventDefault(); await this.#keepPlate(inputs, fault); } },
      h("h2", {}, gettext("Nameplate and limits, entered once")),
      h("p", {}, gettext("Read them from the plates of motor and fan. Stay clear of belts; electrical readings only by those qualified.")),
      h("div", { class: "round-fields" }, PLATE().map(([name, quantity, words]) => field(name, words, quantity)), NOTES().map(([name, words]) => field(name, words, null))),
      fault, h("div", { class: "actions" }, h("button", { class: "button", type: "submit" }, gettext("Keep the nameplate"))));
  }

  async #keepPlate(inputs, fault) {
    const plate = {};
    for (const [name, { input, quantity, words }] of inputs) {
      const text = quantity ? asTyped(input.value) : input.value.trim();
      if (!text) continue;
      const read = quantity ? parse(text) : null;
      if (read && (read.fault || !(read.value > 0))) {
        replace(fault, `${words}: ${read.fault || gettext("a nameplate's figure is above zero.")}`);
        input.focus();
        return;
      }
      plate[name] = quantity ? { value: text, unit: this.#unit(quantity) } : text;
    }
    await this.context.store.setSetting(this.plateKey, plate);
    this.plate = plate;
    this.editing = false;
    this.#drawPlate();
    this.#look();
  }

  // ---- readings -------------------------------------------------------------------------------------------

  #form() {
    this.places = new Map();
    const section = (words, rows) => h("section", {}, h("h2", {}, words), h("div", { class: "fan-rows" }, rows));
    const row = (id, words, quantity, limit) => {
      const input = h("input", { type: "text", inputmode: "decimal", autocomplete: "off", maxlength: 24, id: `fan-${id}`, value: this.typed[id] ?? "", oninput: () => this.#type(id, input) });
      const beside = h("span", { class: "fan-limit", "aria-live": "polite" });
      this.places.set(id, { input, quantity, beside, words, limit });
      return h("div", { class: "fan-row" }, h("label", { for: `fan-${id}` }, words),
        h("span", { class: "round-figure" }, input, h("span", { class: "soft" }, symbolOf(this.#unit(quantity), quantity))), beside);
    };
    const limits = { speed: "maximum_speed", current: "nameplate_current", voltage: "nameplate_voltage", power: "nameplate_power" };
    this.fault = h("p", { class: "keypad-fault", role: "alert" });
    this.setting = h("input", { type: "text", maxlength: 60, autocomplete: "off", id: "fan-setting", value: this.typed.setting ?? "", oninput: () => this.#type("setting", this.setting) });
    return h("form", { class: "stack-wide", novalidate: true, onsubmit: (event) => { event.preventDefault(); this.#finish(); } },
      section(gettext("Readings"), READ().map(([name, quantity, line, words]) => row(`${name}:${line}`, words, quantity, limits[name]))),
      section(gettext("Told"), [...TOLD().map(([name, quantity, words]) => row(`told:${name}`, words, quantity, null)),
        ...AIR().map(([name, quantity, words]) => row(`air:${name}`, words, quantity, null)),
        h("div", { class: "fan-row" }, h("label", { for: "fan-setting" }, gettext("Drive set to, e.g. 3 turns open, 42 Hz")), this.setting, h("span", {}))]),
      this.fault,
      h("div", { class: "actions" }, h("button", { class: "button round-go", type: "submit" }, gettext("Finish the sheet"))));
  }

  async #type(id, input) {
    this.typed[id] = input.value;
    this.typed[`at:${id}`] = stamp(this.context.now());
    this.#look();
    await this.context.store.setSetting(this.key, this.typed);
  }

  /** SI value of a field; null when empty or no number. */
  #si(id) {
    const { input, quantity } = this.places.get(id);
    const { value, fault } = parse(asTyped(input.value));
    return fault ? null : toSI(value, this.#unit(quantity), quantity);
  }

  #limit(name) {
    const row = PLATE().find(([one]) => one === name), one = this.plate[name];
    return one ? toSI(Number(one.value), one.unit, row[1]) : null;
  }

  /** Beside each reading its limit; above one of them: stop. */
  #look() {
    const over = [];
    for (const [id, place] of this.places) {
      if (!place.limit) continue;
      const limit = this.#limit(place.limit), value = this.#si(id);
      if (limit === null) { replace(place.beside, h("span", { class: "soft" }, gettext("no limit entered"))); continue; }
      const shown = withUnit(this.plate[place.limit].value, this.plate[place.limit].unit, place.quantity);
      const away = this.#beyond(id, place, value, limit);
      place.input.setAttribute("aria-invalid", String(Boolean(away)));
      replace(place.beside, place.limit === "nameplate_voltage" ? gettext("plate") : gettext("at most"), " ", h("strong", {}, shown), away ? h("span", { class: "fan-over" }, ` ${gettext("passed")}`) : null);
      if (away) over.push(say(away, { what: place.words, value: withUnit(asTyped(place.input.value), this.#unit(place.quantity), place.quantity), limit: shown }));
    }
    replace(this.stop, over.length ? h("div", { class: "fan-stop" },
      h("strong", {}, gettext("Stop: a limit is passed")),
      over.map((text) => h("p", {}, text)),
      h("p", {}, gettext("Bring the fan down or off by the site's rules before anything else; do not raise its speed. Look at the reading once more, then tell the supervisor. The figure is kept as read."))) : null);
  }

  #beyond(id, place, value, limit) {
    if (value === null) return "";
    if (place.limit === "nameplate_voltage") {
      return Math.abs(value / limit - 1) > VOLTAGE ? gettext("%(what)s is %(value)s, more than 10 % from the nameplate's %(limit)s.") : "";
    }
    if (place.limit === "nameplate_power") { // on the shaft: known with the motor's efficiency only
      const efficiency = this.#si("told:motor_efficiency");
      return efficiency && value * efficiency > limit ? gettext("%(what)s of %(value)s puts more on the shaft than the nameplate's %(limit)s.") : "";
    }
    return value > limit * (1 + 1e-9) ? gettext("%(what)s is %(value)s, above the limit of %(limit)s.") : "";
  }

  // ---- the session ----------------------------------------------------------------------------------------

  async #finish() {
    const wrong = [...this.places.values()].find((place) => place.input.value.trim() && parse(asTyped(place.input.value)).fault);
    if (wrong) { replace(this.fault, `${wrong.words}: ${parse(asTyped(wrong.input.value)).fault}`); wrong.input.focus(); return; }
    const lacking = ["inlet_pressure:1", "outlet_pressure:1", "air:air_temperature"].map((id) => this.places.get(id)).find((place) => !place.input.value.trim());
    if (lacking) { replace(this.fault, say(gettext("%(what)s is missing."), { what: lacking.words })); lacking.input.focus(); return; }
    const body = this.#body();
    const missing = body.missing;
    if (missing) { replace(this.fault, missing); return; }
    delete body.missing;
    const { context } = this;
    // no test supersedes another: each is the fan at another speed, and the fan laws hold them together
    const draft = await context.newSession(this.job.id, this.point.id, "fan_test", body);
    await context.outbox.finish(draft.id);
    const air = Object.fromEntries(Object.entries(this.typed).filter(([id]) => id.startsWith("air:") || id.startsWith("told:")));
    await context.store.setSetting(this.key, air);
    this.typed = air;
    for (const [id, place] of this.places) place.input.value = air[id] ?? "";
    this.setting.value = "";
    replace(this.fault);
    this.#look();
    context.say(say(gettext("%(tag)s: the sheet is on this tablet."), { tag: this.point.tag }));
    await this.#news();
    scrollTo(0, 0);
  }

  #body() {
    const value = (id) => asTyped(this.places.get(id).input.value);
    const at = (id) => this.typed[`at:${id}`] ?? stamp(this.context.now());
    const read = READ().filter(([name, , line]) => value(`${name}:${line}`));
    const readings = read.filter(([name]) => !name.startsWith("zero_")).map(([name, quantity, line]) => ({
      run: 1, line, point: 1, quantity, value: value(`${name}:${line}`), unit: this.#unit(quantity), taken_at: at(`${name}:${line}`), place: name,
    }));
    const told = {};
    for (const [name, quantity] of TOLD()) if (value(`told:${name}`)) told[name] = { value: value(`told:${name}`), unit: this.#unit(quantity) };
    for (const [name] of PLATE()) if (this.plate[name]) told[name] = this.plate[name];
    if (readings.filter((one) => one.place === "current").length === 1) told.supply = "single_phase";
    const conditions = {};
    for (const [name, quantity] of AIR()) if (value(`air:${name}`)) conditions[name] = { value: value(`air:${name}`), unit: this.#unit(quantity) };
    const { instruments, missing } = this.#instruments(readings, conditions);
    const zero_checks = instruments.pressure ? read.filter(([name]) => name.startsWith("zero_")).map(([name]) => ({
      at: at(`${name}:1`), value: value(`${name}:1`), unit: this.#unit("pressure"), instrument: instruments.pressure,
    })) : [];
    const moments = [...readings.map((one) => one.taken_at), ...zero_checks.map((one) => one.at)].sort((a, b) => Date.parse(a) - Date.parse(b));
    const setting = this.setting.value.trim();
    const notes = NOTES().filter(([name]) => this.plate[name]).map(([name, words]) => `${words}: ${this.plate[name]}`);
    return {
      missing, conditions, instruments, told, readings, zero_checks, note: notes.join("\n"), started_at: moments[0],
      ...(setting ? { adjustment: { setting, marked: false, done: "" } } : {}),
    };
  }

  /** By use the planned instrument whose certificate is in force and whose range holds the readings, if any. */
  #instruments(readings, conditions) {
    const method = this.context.method("fan_test"), uses = new Map();
    for (const one of readings) {
      const { use } = method.places.find((place) => place.name === one.place);
      uses.set(use, [...(uses.get(use) ?? []), one]);
    }
    for (const [name, use] of [["air_temperature", "temperature"], ["relative_humidity", "humidity"], ["barometric_pressure", "barometer"]]) if (conditions[name]) uses.set(use, []);
    const instruments = {};
    let missing = "";
    for (const [use, rows] of uses) {
      const holds = (tool) => rows.every((one) => {
        const si = toSI(Number(one.value), one.unit, one.quantity);
        return tool.ranges.some((range) => range.quantity === one.quantity && range.minimum <= si && si <= range.maximum);
      });
      const rank = (tool) => (tool.certificate?.in_force ? 2 : 0) + (holds(tool) ? 1 : 0);
      const tool = this.job.instruments.filter((one) => one.kind === TOOLS[use]).sort((a, b) => rank(b) - rank(a))[0];
      if (tool) instruments[use] = tool.id;
      else if (rows.length) missing = say(gettext("No instrument for %(use)s is planned for this job. Leave that reading out, or have one assigned."), { use: use.replaceAll("_", " ") });
    }
    return { instruments, missing };
  }

  async #tests() {
    const rows = await this.context.store.sessions(this.job.id);
    return rows.filter((row) => row.point === this.point.id && row.method === "fan_test" && !["open", "refused"].includes(row.state))
      .sort((a, b) => (a.created_at < b.created_at ? -1 : 1));
  }

  async #news() {
    this.served = await this.#served();
    const tests = await this.#tests();
    if (this.closed) return;
    if (!Object.keys(this.plate).length && this.served && Object.keys(this.served.plate).length) {
      this.plate = this.#plateOf(this.served);
      this.#drawPlate();
      this.#look();
    }
    if (tests.some((row) => row.server?.evaluated) && tests.length !== this.asked) { this.asked = tests.length; this.#ask(); }
    replace(this.done, tests.length ? h("ul", { class: "rows" }, tests.slice(-3).map((row) => h("li", {}, h("div", { class: "row" },
      h("span", { class: "row-name" }, say(gettext("Test of %(at)s"), { at: row.body.started_at.slice(11, 16) })), h("span", {}), h("span", {}), stateMark(row),
      row.server?.flags?.length ? h("ul", { class: "wide round-remarks" }, row.server.flags.map((flag) => h("li", {}, flag.seen, " ", flag.advice))) : null)))) : null);
    replace(this.change, this.#proposal());
  }

  /** The new speed by the fan laws, from the service; refused where a limit would be passed. */
  #proposal() {
    const change = this.served?.change;
    if (!change) return null;
    if (["outlets", "branches"].includes(this.phase)) {
      return h("p", { class: "soft" }, gettext("A new speed comes last: balance the outlets and branches to each other first."));
    }
    const speed = (si) => withUnit(units.shown(fromSI(si, "/min", "speed")), "/min", "speed");
    const now = this.served.found.speed.value;
    const lines = [
      change.current && say(gettext("The motor would then draw %(amps)s in its highest phase."), { amps: inUnit(change.current.value, "A", "current") }),
      change.shaft_power && say(gettext("Its load would be %(power)s."), { power: inUnit(change.shaft_power.value, this.#unit("power"), "power") }),
      change.pressure && say(gettext("Fan static pressure %(pressure)s."), { pressure: inUnit(change.pressure.value, this.#unit("pressure"), "pressure") }),
      change.motor_sheave_m && say(gettext("Sheave on the motor %(motor)s, or on the fan %(fan)s."), {
        motor: inUnit(change.motor_sheave_m, this.#unit("length"), "length"), fan: inUnit(change.fan_sheave_m, this.#unit("length"), "length"),
      }),
      change.close.length && gettext("A limit is within reach of the uncertainty: go up in small steps and read amps at each."),
      change.unchecked.length && gettext("Not every limit could be checked: enter the whole nameplate and read the amps."),
    ].filter(Boolean);
    const passed = change.passed.map((one) => ({
      maximum_speed: gettext("the fan's maximum speed"), nameplate_power: gettext("the motor's nameplate power"), nameplate_current: gettext("the motor's nameplate current"),
    }[one.limit]));
    if (!change.allowed) {
      return h("div", { class: "fan-stop" }, h("strong", {}, say(gettext("Do not raise the speed to design: %(limits)s would be passed"), { limits: passed.join(", ") })),
        h("p", {}, say(gettext("Design would need %(speed)s; the fan runs at %(now)s. Within the limits the system reaches %(share)s %% of design."), {
          speed: speed(change.speed.value), now: speed(now), share: significant(change.reachable * 100, 3),
        })), h("p", {}, gettext("Tell the supervisor: another motor, drive or fan, or the designer accepts less.")));
    }
    return h("div", { class: "stack" }, h("h2", {}, gettext("To bring the total to design")),
      h("p", { class: "round-do" }, gettext("Fan speed"), " ", h("strong", { class: "round-target" }, speed(change.speed.value))),
      h("p", { class: "soft" }, say(gettext("It runs at %(now)s now; by the fan laws, dampers untouched."), { now: speed(now) })),
      lines.map((text) => h("p", {}, text)),
      h("p", {}, gettext("Then test the fan again and read every outlet once more.")));
  }
}
