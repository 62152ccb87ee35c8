/** Instruments of the job by use, with the state of their certificates. */

import { SHOWS } from "./session.js";
import { say } from "./words.js";

/** What each use is called. */
export function useWords() {
  return {
    pressure: gettext("pressure"), probe: gettext("pitot-static tube or probe"), temperature: gettext("air temperature"),
    humidity: gettext("humidity"), barometer: gettext("barometric pressure"), hood: gettext("flow hood"),
    velocity: gettext("velocity"), flow: gettext("leakage flow"), speed: gettext("speed"),
    voltage: gettext("voltage"), current: gettext("current"), power: gettext("electrical power"),
    power_factor: gettext("power factor"), carbon_dioxide: gettext("carbon dioxide"),
    particles: gettext("particles"), sound: gettext("sound level"), water_pressure: gettext("water pressure"),
    water_temperature: gettext("water temperature"),
  };
}

const PROBES = ["pitot_tube", "anemometer"];

/** Whether an instrument can be used so: by its ranges, or as a probe by its kind. */
export function suits(tool, use) {
  if (use === "probe") return PROBES.includes(tool.kind) || tool.probe_factor !== null;
  return tool.ranges.some((range) => range.quantity === SHOWS[use]);
}

/** Kinds that are made for a use, where others show the quantity too. */
const MADE_FOR = {
  hood: ["flow_hood"], flow: ["flow_meter"], pressure: ["manometer"], water_pressure: ["pressure_gauge"],
  velocity: ["anemometer"], probe: ["pitot_tube"],
};

function madeFor(tool, use) {
  return !MADE_FOR[use] || MADE_FOR[use].includes(tool.kind);
}

/** The job's instruments for a use: those made for it and in calibration first. */
export function suiting(tools, use, day) {
  const rank = { good: 0, soon: 1, none: 2, lapsed: 3 };
  const order = (tool) => (madeFor(tool, use) ? 0 : 10) + rank[stateOf(tool, day).state];
  return tools.filter((tool) => suits(tool, use)).sort((a, b) => order(a) - order(b));
}

const SOON = 14;

/**
 * Where an instrument's certificate stands on a day ("2026-03-02").
 * @returns {{state: "good"|"soon"|"lapsed"|"none", words: string}}
 */
export function stateOf(tool, day) {
  const found = tool.certificate;
  if (!found) return { state: "none", words: gettext("No certificate") };
  const said = { number: found.number, due: found.due_on };
  if (found.due_on < day) {
    return { state: "lapsed", words: say(gettext("Out of calibration: %(number)s ended on %(due)s"), said) };
  }
  const left = (Date.parse(found.due_on) - Date.parse(day)) / 86_400_000;
  const words = left <= SOON
    ? gettext("In calibration, but only until %(due)s (%(number)s)") : gettext("In calibration until %(due)s (%(number)s)");
  return { state: left <= SOON ? "soon" : "good", words: say(words, said) };
}

/** The range of an instrument that a quantity is shown over, its widest; null without one. */
export function rangeOf(tool, quantity) {
  const found = (tool?.ranges ?? []).filter((range) => range.quantity === quantity);
  if (!found.length) return null;
  return {
    minimum: Math.min(...found.map((range) => range.minimum)),
    maximum: Math.max(...found.map((range) => range.maximum)),
    resolution: Math.min(...found.map((range) => range.resolution)),
  };
}

/** Instruments that are named without asking: where one alone suits a use, or one alone is made for it. */
export function obvious(tools, uses, day) {
  const chosen = {};
  for (const use of uses) {
    const suitable = suiting(tools, use, day), made = suitable.filter((tool) => madeFor(tool, use));
    const found = made.length ? made : suitable;
    if (found.length === 1) chosen[use] = found[0].id;
  }
  return chosen;
}
