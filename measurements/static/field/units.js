/**
 * Units on the tablet: codes as the service knows them, what people read, and the conversion for display
 * and checks. What is posted is the text as typed with its unit; nothing here changes it.
 *
 * SI value = (value + offset) * factor. The same table as the service's (measurements/calc/units.py); a test
 * holds the two together.
 */

const FOOT = 0.3048, INCH = 0.0254, POUND = 0.45359237, GRAVITY = 9.80665, BTU = 1055.05585262;
const INCH_OF_WATER = INCH * 1000 * GRAVITY;
const DEGREE_F = 5 / 9, CUBIC_FOOT = FOOT ** 3, GALLON = 231 * INCH ** 3;
const PSI = (POUND * GRAVITY) / INCH ** 2;
export const THIN = "\u202f", MINUS = "\u2212";

/** By kind of unit: [code, what people read, factor, offset]. */
const TABLE = {
  pressure: [
    ["Pa", "Pa", 1], ["hPa", "hPa", 100], ["kPa", "kPa", 1000], ["bar", "bar", 1e5], ["mbar", "mbar", 100],
    ["[in_i'H2O]", "inH2O", INCH_OF_WATER], ["{in_i'H2O_39.2F}", "inH2O (39.2 °F)", 249.082],
    ["{in_i'H2O_60F}", "inH2O (60 °F)", 248.84], ["{in_i'H2O_20C}", "inH2O (68 °F)", 248.642],
    ["mm[H2O]", "mmH2O", GRAVITY], ["[ft_i'H2O]", "ftH2O", 12 * INCH_OF_WATER],
    ["{ft_i'H2O_39.2F}", "ftH2O (39.2 °F)", 12 * 249.082], ["m[H2O]", "mH2O", 1000 * GRAVITY],
    ["[in_i'Hg]", "inHg", 3386.389], ["mm[Hg]", "mmHg", 133.322387415], ["[psi]", "psi", PSI],
    ["atm", "atm", 101325],
  ],
  velocity: [
    ["m/s", "m/s", 1], ["[ft_i]/min", "ft/min", FOOT / 60], ["[ft_i]/s", "ft/s", FOOT],
    ["km/h", "km/h", 1 / 3.6],
  ],
  flow: [
    ["m3/s", "m³/s", 1], ["m3/h", "m³/h", 1 / 3600], ["L/s", "L/s", 0.001], ["L/min", "L/min", 0.001 / 60],
    ["[cft_i]/min", "ft³/min", CUBIC_FOOT / 60], ["[gal_us]/min", "gal/min", GALLON / 60],
  ],
  length: [
    ["m", "m", 1], ["mm", "mm", 0.001], ["cm", "cm", 0.01], ["[in_i]", "in", INCH], ["[ft_i]", "ft", FOOT],
  ],
  area: [
    ["m2", "m²", 1], ["mm2", "mm²", 1e-6], ["[sft_i]", "ft²", FOOT ** 2], ["[sin_i]", "in²", INCH ** 2],
  ],
  volume: [
    ["m3", "m³", 1], ["L", "L", 0.001], ["[cft_i]", "ft³", CUBIC_FOOT], ["[gal_us]", "gal", GALLON],
    ["[gal_br]", "UK gal", 0.00454609],
  ],
  temperature: [
    ["K", "K", 1], ["Cel", "°C", 1, 273.15], ["[degF]", "°F", DEGREE_F, 459.67],
  ],
  temperature_difference: [["K", "K", 1], ["[degF]", "°F", DEGREE_F]],
  fraction: [["1", "", 1], ["%", "%", 0.01], ["[ppm]", "ppm", 1e-6]],
  density: [["kg/m3", "kg/m³", 1], ["[lb_av]/[cft_i]", "lb/ft³", POUND / CUBIC_FOOT]],
  mass: [["kg", "kg", 1], ["[lb_av]", "lb", POUND], ["[gr]", "gr", POUND / 7000]],
  mass_flow: [["kg/s", "kg/s", 1], ["[lb_av]/min", "lb/min", POUND / 60]],
  power: [
    ["W", "W", 1], ["kW", "kW", 1000], ["[HP]", "hp", 550 * FOOT * POUND * GRAVITY],
    ["{hp_electric}", "hp (electric)", 746], ["[Btu_IT]/h", "Btu/h", BTU / 3600],
    ["{ton_refrigeration}", "ton", (12000 * BTU) / 3600],
  ],
  speed: [["/s", "1/s", 1], ["/min", "1/min", 1 / 60]],
  time: [["s", "s", 1], ["min", "min", 60], ["h", "h", 3600]],
  angle: [["rad", "rad", 1], ["deg", "°", Math.PI / 180]],
  voltage: [["V", "V", 1]],
  current: [["A", "A", 1]],
  enthalpy: [["J/kg", "J/kg", 1], ["kJ/kg", "kJ/kg", 1000], ["[Btu_IT]/[lb_av]", "Btu/lb", BTU / POUND]],
  specific_heat: [
    ["J/kg/K", "J/(kg K)", 1], ["[Btu_IT]/[lb_av]/[degF]", "Btu/(lb °F)", BTU / POUND / DEGREE_F],
  ],
  sound_level: [["dB", "dB", 1]],
  concentration: [["/m3", "1/m³", 1], ["/L", "1/L", 1000], ["/[cft_i]", "1/ft³", 1 / CUBIC_FOOT]],
  flow_coefficient: [
    ["{m3/s/Pa^0.5}", "m³/s at 1 Pa", 1], ["{L/s/Pa^0.5}", "L/s at 1 Pa", 0.001],
    ["{m3/h/Pa^0.5}", "m³/h at 1 Pa", 1 / 3600], ["{L/s/kPa^0.5}", "L/s at 1 kPa", 0.001 / 1000 ** 0.5],
    ["{Kv}", "Kv", 1 / 3600 / 1e5 ** 0.5], ["{Cv}", "Cv", GALLON / 60 / PSI ** 0.5],
    ["{cfm/inH2O^0.5}", "ft³/min at 1 inH2O", CUBIC_FOOT / 60 / INCH_OF_WATER ** 0.5],
  ],
  flow_per_area: [
    ["m3/s/m2", "m³/s per m²", 1], ["L/s/m2", "L/s per m²", 0.001], ["m3/h/m2", "m³/h per m²", 1 / 3600],
    ["[cft_i]/min/(100.[sft_i])", "ft³/min per 100 ft²", CUBIC_FOOT / 60 / (100 * FOOT ** 2)],
  ],
  viscosity: [["Pa.s", "Pa s", 1], ["mPa.s", "mPa s", 0.001]],
};

/** What an instrument's quantity is counted in; the others bear the name of their kind. */
const KINDS = {
  absolute_pressure: "pressure", humidity: "fraction", factor: "fraction", carbon_dioxide: "fraction",
};

const UNITS = new Map();
for (const [kind, rows] of Object.entries(TABLE)) {
  for (const [code, symbol, factor, offset = 0] of rows) {
    UNITS.set(`${kind} ${code}`, { code, symbol, factor, offset });
  }
}

/** Kind of unit of a quantity of an instrument, or of a told figure. */
export function kindOf(quantity) {
  return KINDS[quantity] ?? quantity;
}

/** Codes of the units that a quantity may be read in. @param {string} quantity @returns {string[]} */
export function unitsOf(quantity) {
  return (TABLE[kindOf(quantity)] ?? []).map(([code]) => code);
}

function find(code, quantity) {
  const unit = UNITS.get(`${kindOf(quantity)} ${code}`);
  if (!unit) throw new RangeError(`${code} is no unit of ${quantity}`);
  return unit;
}

/** What people read for a unit; the code itself where it is not known. */
export function symbolOf(code, quantity) {
  return UNITS.get(`${kindOf(quantity)} ${code}`)?.symbol ?? code;
}

/** @param {number} value @returns {number} SI. Throws RangeError for a unit that does not fit. */
export function toSI(value, code, quantity) {
  const { factor, offset } = find(code, quantity);
  return (value + offset) * factor;
}

/** A difference, a resolution or an uncertainty: by the factor only. */
export function differenceToSI(value, code, quantity) {
  return value * find(code, quantity).factor;
}

/** @param {number} si @returns {number} in the unit */
export function fromSI(si, code, quantity) {
  const { factor, offset } = find(code, quantity);
  return si / factor - offset;
}

/** SI value of a figure as posted, {value, unit}; null where there is none or it is no number. */
export function siOf(figure, quantity) {
  if (!figure) return null;
  const read = parse(figure.value);
  return read.fault ? null : toSI(read.value, figure.unit, quantity);
}

const USUAL = {
  si: {
    pressure: "Pa", absolute_pressure: "hPa", velocity: "m/s", flow: "L/s", length: "mm", area: "m2",
    volume: "m3", temperature: "Cel", temperature_difference: "K", humidity: "%", factor: "1",
    carbon_dioxide: "[ppm]", fraction: "1", density: "kg/m3", power: "kW", speed: "/min", time: "s",
    flow_coefficient: "{Kv}", viscosity: "mPa.s",
  },
  ip: {
    pressure: "[in_i'H2O]", absolute_pressure: "[in_i'Hg]", velocity: "[ft_i]/min", flow: "[cft_i]/min",
    length: "[in_i]", area: "[sft_i]", volume: "[cft_i]", temperature: "[degF]",
    temperature_difference: "[degF]", humidity: "%", factor: "1", carbon_dioxide: "[ppm]", fraction: "1",
    density: "[lb_av]/[cft_i]", power: "[HP]", speed: "/min", time: "s", flow_coefficient: "{Cv}",
    viscosity: "mPa.s", concentration: "/[cft_i]",
  },
};
const OF_WATER = {
  si: { pressure: "kPa", flow: "L/s" },
  ip: { pressure: "[psi]", flow: "[gal_us]/min" },
};
const DISTANCE = { si: "m", ip: "[ft_i]" };

/**
 * The unit that somebody expects first. "us" counts as "ip".
 * @param {string} quantity of an instrument or a told figure
 * @param {string} system "si" or "ip"
 * @param {{water?: boolean, distance?: boolean}} [of] water in pipes; a length along a duct
 */
export function usualUnit(quantity, system, { water = false, distance = false } = {}) {
  const name = systemOf(system);
  if (distance && quantity === "length") return DISTANCE[name];
  return (water && OF_WATER[name][quantity]) || USUAL[name][quantity] || unitsOf(quantity)[0];
}

/** "si" or "ip", whatever a setting says. */
export function systemOf(setting) {
  return ["ip", "us"].includes(setting) ? "ip" : "si";
}

const LONGEST = 24;

/**
 * A figure as typed. The service takes digits, a point and a minus sign, 24 characters at most.
 * @param {string} text
 * @returns {{value: number, fault: ""} | {value: null, fault: string}}
 */
export function parse(text) {
  const typed = String(text ?? "").trim();
  if (typed === "") return { value: null, fault: gettext("Nothing is entered yet.") };
  if (typed.length > LONGEST) return { value: null, fault: gettext("A figure has 24 characters at most.") };
  if (!/^-?(\d+\.?\d*|\.\d+)$/.test(typed)) {
    const words = gettext("“%(typed)s” is not a number; write it like 13.10 or -0.5.");
    return { value: null, fault: interpolate(words, { typed }, true) };
  }
  return { value: Number(typed), fault: "" };
}

/** What a keyboard gave, as the service takes it: a comma is a point, any dash a minus sign, no blanks. */
export function asTyped(text) {
  return text.replace(/[,\u066b]/g, ".").replace(/[\u2212\u2013]/g, "-").replace(/\s/g, "");
}

/** Digits after the point of a figure as typed. */
export function decimalsOf(text) {
  return (String(text).split(".")[1] ?? "").length;
}

/** A number with so many decimals and a true minus sign; never "−0". */
export function shown(value, decimals = 0) {
  const text = value.toFixed(decimals);
  return (Number(text) === 0 ? text.replace("-", "") : text).replace("-", MINUS);
}

/** A number with so many significant digits, not in powers of ten. */
export function significant(value, digits = 3) {
  if (!Number.isFinite(value)) return "";
  if (value === 0) return shown(0);
  const rounded = Number(value.toPrecision(digits));
  const size = Math.floor(Math.log10(Math.abs(rounded))) + 1;
  return shown(rounded, Math.min(Math.max(digits - size, 0), 12));
}

/** Number and unit with a thin space that does not break. */
export function withUnit(text, code, quantity) {
  const symbol = symbolOf(code, quantity);
  const number = String(text).replace(/^-/, MINUS);
  if (!symbol) return number;
  return symbol === "°" ? number + symbol : number + THIN + symbol;
}

/** An SI value in a unit with significant digits: "0.452 m³/s". */
export function inUnit(si, code, quantity, digits = 3) {
  return withUnit(significant(fromSI(si, code, quantity), digits), code, quantity);
}

/** A figure as posted, {value, unit}, as people read it. */
export function figureText(figure, quantity) {
  return figure ? withUnit(figure.value, figure.unit, quantity) : "";
}

const SIXTEENTHS = 16;

/**
 * A length as it is set on a tape: the nearest mm or 1/16 in. Each length is rounded for itself, from the one
 * end that the tape is held to, so that a remainder never adds up along a row of marks.
 * @param {number} metres @param {string} system "si" or "ip"
 * @returns {{text: string, metres: number}} what to set, and where that is
 */
export function onTape(metres, system) {
  if (systemOf(system) === "si") {
    const mm = Math.round(metres * 1000);
    return { text: withUnit(shown(mm), "mm", "length"), metres: mm / 1000 };
  }
  const parts = Math.round((metres / INCH) * SIXTEENTHS);
  return { text: withUnit(inchText(parts), "[in_i]", "length"), metres: (parts / SIXTEENTHS) * INCH };
}

function inchText(sixteenths) {
  const sign = sixteenths < 0 ? MINUS : "", size = Math.abs(sixteenths);
  const whole = Math.floor(size / SIXTEENTHS);
  let over = size % SIXTEENTHS, under = SIXTEENTHS;
  while (over && over % 2 === 0) [over, under] = [over / 2, under / 2];
  if (!over) return `${sign}${whole}`;
  return `${sign}${whole ? `${whole} ` : ""}${over}/${under}`;
}
