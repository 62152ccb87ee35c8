/** Sweeping line after line: settling, a beat to move by, the mean that was shown or the series of a logger. */

import { ask, h, replace } from "./dom.js";
import { field } from "./entries.js";
import { stamp } from "./ids.js";
import { rangeOf } from "./instruments.js";
import { keypad } from "./keypad.js";
import { layoutOf, impossible, putSweep } from "./session.js";
import { USUAL, Unreadable, durationRatio, parseSeries, phaseAt, sweepOf } from "./sweep.js";
import { inUnit, onTape, parse, shown, siOf, usualUnit, withUnit } from "./units.js";
import { say } from "./words.js";

const TICK = 100, BEATS = [0.5, 1, 2], DURATIONS = [15, 20, 30, 45, 60], SETTLINGS = [0, 3, 5, 10, 20];
const UNLIKE = 1.2, JUMP = 4;

export function sweepsStep(m) {
  let layout;
  try {
    layout = layoutOf(m.body.plane);
  } catch (error) {
    return { main: [h("p", { class: "notice notice-warn" }, error.message), m.link("duct")] };
  }
  return new Sweeping(m, layout).step();
}

/** The click of the metronome; silent where the browser has no sound. */
class Clicks {
  start() {
    try {
      this.audio ??= new AudioContext();
      this.audio.resume?.();
    } catch {
      this.audio = null;
    }
  }

  click(high) {
    if (!this.audio) return;
    const tone = this.audio.createOscillator(), gain = this.audio.createGain(), now = this.audio.currentTime;
    tone.frequency.value = high ? 1760 : 880;
    gain.gain.setValueAtTime(0.4, now);
    gain.gain.exponentialRampToValueAtTime(0.001, now + 0.06);
    tone.connect(gain).connect(this.audio.destination);
    tone.start(now);
    tone.stop(now + 0.07);
  }

  stop() {
    this.audio?.close?.();
    this.audio = null;
  }
}

class Sweeping {
  constructor(m, layout) {
    this.m = m;
    this.layout = layout;
    this.clicks = new Clicks();
    this.timer = null;
    this.pad = keypad(m.context, { label: "", onchange: (text, unit) => this.typed(text, unit), onenter: (text, unit) => this.kept(text, unit) });
    this.head = h("div", { class: "runs" });
    this.stage = h("div", { class: "stage" });
    this.list = h("div", { class: "grid-wrap" });
    m.onDispose(() => this.stop());
  }

  step() {
    this.paint();
    return { main: [this.settings(), this.head, this.stage, this.list, this.pasting()], pad: this.pad };
  }

  get plan() {
    return { ...USUAL, ...this.m.view.sweep };
  }

  get at() {
    return this.m.view.cursor ?? { run: 1, line: this.open(1) ?? 1 };
  }

  /** Quantity and unit of the sweeps: what was swept first, else the instrument that is named. */
  get shown() {
    const first = this.m.body.sweeps[0];
    const quantity = first?.quantity ?? (this.m.body.instruments.velocity && !this.m.body.instruments.pressure ? "velocity" : this.m.view.swept ?? "pressure");
    const place = this.m.kind.places.find((one) => one.quantity === quantity);
    return { place, quantity, unit: this.m.body.sweeps.at(-1)?.unit ?? this.m.view.units?.[place.name] ?? usualUnit(quantity, this.m.system) };
  }

  open(run) {
    const swept = this.m.body.sweeps.filter((one) => one.run === run).map((one) => one.line);
    return this.layout.holes.map((hole) => hole.line).find((line) => !swept.includes(line));
  }

  sweepAt({ run, line }) {
    return this.m.body.sweeps.find((one) => one.run === run && one.line === line);
  }

  /** Settling, time of a line and beat: the same for every line of a session. */
  settings() {
    const choice = (name, label, values) => {
      const picked = h("select", { onchange: () => this.m.change((_body, view) => {
        view.sweep = { ...view.sweep, [name]: Number(picked.value) };
      }).then(() => this.paint()) }, values.map((value) => h("option", { value }, withUnit(String(value), "s", "time"))));
      picked.value = String(this.plan[name]);
      return field(label, picked);
    };
    return h("div", { class: "field-pair three" },
      choice("settle", gettext("Settle first"), SETTLINGS), choice("duration", gettext("Time for each line"), DURATIONS), choice("beat", gettext("A click every"), BEATS));
  }

  paint() {
    const { m } = this, { run, line } = this.at, hole = this.layout.holes.find((one) => one.line === line) ?? this.layout.holes[0];
    const sweep = this.sweepAt(this.at), { quantity, unit, place } = this.shown;
    replace(this.head, this.runBar(run), h("h3", {}, say(gettext("Line %(hole)s of %(count)s, run %(run)s"), { hole: hole.label, count: this.layout.holes.length, run })));
    if (!this.timer) this.still();
    replace(this.list, this.table(run, line));
    this.pad.show({
      label: say(gettext("Mean %(what)s shown for line %(hole)s"), { what: place.words.toLowerCase(), hole: hole.label }), quantity, unit,
      units: place.units, value: m.view.typed || sweep?.mean?.value || "", enter: gettext("Keep, next"),
      hint: m.view.swung ? say(gettext("Swept for %(seconds)s s. What did the instrument average?"), { seconds: m.view.swung.seconds }) : gettext("Start the sweep first; the time goes with it."),
    });
    m.progress();
  }

  runBar(run) {
    const last = Math.max(1, run, ...this.m.body.sweeps.map((one) => one.run));
    const runs = Array.from({ length: last }, (_, n) => n + 1);
    if (this.open(last) === undefined) runs.push(last + 1);
    return h("div", { class: "choices", role: "group", "aria-label": gettext("Run") }, runs.map((one) => h("button", {
      type: "button", class: "choice-button", "aria-pressed": String(one === run), onclick: () => this.go({ run: one, line: this.open(one) ?? 1 }),
    }, one > last ? say(gettext("Start run %(run)s"), { run: one }) : say(gettext("Run %(run)s"), { run: one }))));
  }

  go(cursor) {
    this.stop();
    return this.m.change((_body, view) => Object.assign(view, { cursor, typed: "", swung: null })).then(() => this.paint());
  }

  still() {
    replace(this.stage, this.line(0, gettext("Probe at the near wall, tip into the flow.")),
      h("button", { type: "button", class: "button big", onclick: () => this.start() }, gettext("Start the sweep")));
  }

  /** The line with the place where the tip should be now. */
  line(share, words) {
    const ends = [this.layout.duct.skin, this.layout.duct.depth + this.layout.duct.skin];
    const now = ends[0] + share * (ends[1] - ends[0]);
    const mark = h("progress", { class: "sweep-line", max: "1", value: String(share), "aria-label": gettext("Place along the line") });
    return [
      h("p", { class: "sweep-words", role: "status" }, words), mark,
      h("p", { class: "sweep-place" }, say(gettext("mark at %(now)s, the far wall at %(end)s"), { now: onTape(now, this.m.system).text, end: onTape(ends[1], this.m.system).text })),
    ];
  }

  start() {
    this.clicks.start();
    this.began = Date.now();
    this.beat = null;
    this.startedAt = stamp(new Date(this.began + this.plan.settle * 1000));
    this.lit = h("div", { class: "beat", "aria-hidden": "true" });
    this.face = h("div", {});
    replace(this.stage, this.lit, this.face, h("div", { class: "actions" },
      h("button", { type: "button", class: "button big", onclick: () => this.end() }, gettext("I am at the far wall")),
      h("button", { type: "button", class: "button plain", onclick: () => { this.stop(); this.paint(); } }, gettext("Break off"))));
    this.timer = setInterval(() => this.tick(), TICK);
    this.tick();
  }

  tick() {
    const elapsed = (Date.now() - this.began) / 1000, now = phaseAt(elapsed, this.plan);
    if (now.phase === "done") {
      this.end();
      return;
    }
    const mark = `${now.phase} ${now.beat}`;
    if (mark !== this.beat) {
      const first = now.phase === "sweep" && !this.beat?.startsWith("sweep");
      this.beat = mark;
      if (now.phase === "sweep") this.clicks.click(first);
      this.lit.classList.toggle("is-lit", now.beat % 2 === 0);
    }
    const left = Math.ceil(now.left);
    const words = now.phase === "settle" ? say(gettext("Settling: hold still, %(left)s s"), { left }) : say(gettext("Move steadily, %(left)s s to the far wall"), { left });
    replace(this.face, this.line(now.share, words));
  }

  end() {
    const elapsed = (Date.now() - this.began) / 1000 - this.plan.settle;
    this.stop();
    if (elapsed <= 0) {
      this.m.context.say(gettext("The line was not swept yet: it was still settling."));
      this.paint();
      return;
    }
    const seconds = Math.min(elapsed, this.plan.duration).toFixed(1);
    this.clicks.click(true);
    this.m.change((_body, view) => { view.swung = { seconds, startedAt: this.startedAt }; }).then(() => {
      this.paint();
      this.pad.focus();
    });
  }

  stop() {
    clearInterval(this.timer);
    this.timer = null;
  }

  typed(text, unit) {
    const { name } = this.shown.place;
    return this.m.change((_body, view) => {
      view.typed = text;
      view.units = { ...view.units, [name]: unit };
    });
  }

  async kept(value, unit) {
    const { quantity } = this.shown, before = this.sweepAt(this.at), swung = this.m.view.swung;
    if (!swung && !before) {
      this.pad.fault(gettext("Sweep the line first."));
      return;
    }
    const wrong = impossible(value, unit, quantity);
    if (wrong) {
      this.pad.fault(wrong);
      return;
    }
    if (!(await this.sure(value, unit))) return;
    const time = swung ? { startedAt: swung.startedAt, seconds: Number(swung.seconds) } : { startedAt: before.started_at, seconds: Number(before.duration.value) };
    await this.put(sweepOf({ ...this.at, quantity, unit, mean: value, ...time }));
  }

  async put(sweep) {
    const { run } = this.at;
    await this.m.change((body, view) => {
      putSweep(body, sweep);
      Object.assign(view, { typed: "", swung: null });
    });
    const line = this.open(run);
    if (line !== undefined) {
      await this.go({ run, line });
      return;
    }
    this.paint();
    this.m.context.say(say(gettext("Run %(run)s is whole."), { run }));
    this.m.toNext();
  }

  /** Asks about a mean that is negative, out of range or far from the other lines. */
  async sure(value, unit) {
    const { quantity, place } = this.shown, si = siOf({ value, unit }, quantity), odd = [], tool = this.m.tool(place.use);
    const range = rangeOf(tool, quantity), text = withUnit(value, unit, quantity);
    if (quantity === "pressure" && si < 0) odd.push(say(gettext("%(value)s is negative: are the hoses swapped? Total pressure goes to the positive port."), { value: text }));
    if (range && (si < range.minimum || si > range.maximum)) {
      odd.push(say(gettext("%(value)s is outside the range of %(tool)s: %(low)s to %(high)s."), {
        value: text, tool: tool.serial, low: inUnit(range.minimum, unit, quantity, 4), high: inUnit(range.maximum, unit, quantity, 4),
      }));
    }
    const last = this.m.body.sweeps.filter((one) => one.mean && (one.run !== this.at.run || one.line !== this.at.line)).at(-1);
    const ratio = last ? si / siOf(last.mean, quantity) : 1;
    if (ratio > JUMP || (ratio >= 0 && ratio < 1 / JUMP)) odd.push(say(gettext("%(value)s after %(before)s."), { value: text, before: withUnit(last.mean.value, last.mean.unit, quantity) }));
    if (!odd.length) return true;
    return ask({
      title: say(gettext("Keep %(value)s?"), { value: text }), text: h("ul", { class: "doubts" }, odd.map((words) => h("li", {}, words))),
      actions: [{ label: gettext("Correct it"), value: false }, { label: gettext("Keep it"), value: true, kind: "plain" }],
    });
  }

  table(run, line) {
    const { quantity } = this.shown, swept = this.m.body.sweeps.filter((one) => one.run === run), ratio = durationRatio(swept);
    return [
      h("table", { class: "marks-table" },
        h("caption", { class: "hidden-words" }, say(gettext("Lines of run %(run)s"), { run })),
        h("thead", {}, h("tr", {}, [gettext("Line"), gettext("Time"), gettext("Shown")].map((words, n) => h("th", { scope: "col", class: n ? "number" : "" }, words)))),
        h("tbody", {}, this.layout.holes.map((hole) => {
          const found = this.sweepAt({ run, line: hole.line });
          return h("tr", { class: hole.line === line ? "is-current" : "" },
            h("th", { scope: "row" }, h("button", { type: "button", class: "cell", "aria-current": hole.line === line ? "true" : null, onclick: () => this.go({ run, line: hole.line }) }, hole.label)),
            h("td", { class: "number" }, found ? withUnit(found.duration.value, "s", "time") : "·"),
            h("td", { class: "number" }, found ? resultText(found, quantity) : gettext("not swept")));
        }))),
      ratio > UNLIKE ? h("p", { class: "notice notice-warn" }, say(gettext("The longest sweep took %(ratio)s times the shortest. Lines count alike when they take the same time."), { ratio: shown(ratio, 1) })) : null,
    ];
  }

  /** A series of a logger for this line, pasted or from a file. */
  pasting() {
    const area = h("textarea", { rows: "4", "aria-label": gettext("Samples, one a line, or time and value") });
    const fault = h("p", { class: "error", role: "alert" });
    const seconds = h("input", { type: "text", inputmode: "decimal", value: String(this.plan.duration), "aria-label": gettext("Seconds that the samples cover, where they have no time") });
    const file = h("input", { type: "file", accept: ".csv,.txt,text/csv,text/plain", "aria-label": gettext("File with the samples"), onchange: async () => {
      area.value = file.files[0] ? await file.files[0].text() : "";
    } });
    const take = async () => {
      const { quantity, unit } = this.shown;
      try {
        const { samples, duration } = parseSeries(area.value), typed = parse(seconds.value);
        if (duration === null && !(typed.value > 0)) throw new Unreadable(gettext("Say how many seconds the samples cover."));
        const time = duration ?? typed.value;
        if (time > 3600) throw new Unreadable(gettext("A sweep lasts an hour at most."));
        fault.textContent = "";
        const startedAt = stamp(new Date(this.m.context.now().getTime() - time * 1000));
        await this.put(sweepOf({ ...this.at, quantity, unit, startedAt, seconds: time, samples }));
        area.value = "";
      } catch (error) {
        if (!(error instanceof Unreadable)) throw error;
        fault.textContent = error.message;
      }
    };
    return h("details", { class: "pasting" },
      h("summary", {}, gettext("Take the samples of a logger instead")),
      h("p", { class: "help" }, say(gettext("They are taken for the line above, in %(unit)s, evenly spaced in time."), { unit: withUnit("", this.shown.unit, this.shown.quantity).trim() })),
      area, field(gettext("File"), file), field(gettext("Seconds that they cover"), seconds), fault,
      h("button", { type: "button", class: "button plain", onclick: take }, gettext("Take the samples for this line")));
  }
}

function resultText(sweep, quantity) {
  if (sweep.mean) return withUnit(sweep.mean.value, sweep.mean.unit, quantity);
  const values = sweep.samples.map(Number), mean = values.reduce((sum, value) => sum + value, 0) / values.length;
  return say(ngettext("%(count)s sample", "%(count)s samples, mean %(mean)s", values.length), { count: values.length, mean: withUnit(shown(mean, 1), sweep.unit, quantity) });
}
