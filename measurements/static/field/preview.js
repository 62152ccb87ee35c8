/**
 * A flow worked out on the tablet while there is no network: marked as a preview, without uncertainty and
 * without the certificates' corrections. Only the plain cases; everything else says that it needs the service.
 *
 * The formulas are the service's (measurements/calc: air.py, traverse.py, anemometer.py, outlet.py, valve.py,
 * water.py, which name their sources); a test compares both.
 */

import { areaOf, makeDuct, planeQuality } from "./layout.js";
import { siOf } from "./units.js";

const ZERO_CELSIUS = 273.15, R_DRY_AIR = 287.042, MASS_RATIO = 0.621945;
/** Spread of the pressure along a line, relative; in a poor plane so many times as much (swept.py). */
const PRESSURE_CV = 0.20, UNEVEN_CV = Math.sqrt(2.5);
const AXIS_FACTOR = 0.9, REFERENCE_DENSITY = 1000, ASSUMED_WATER = 313.15, UNKNOWN_HUMIDITY = 0.5;

/** Why there is no preview; the message is for people. */
export class NeedsService extends Error {}

/**
 * The flow of a session as entered.
 * @param {object} body the session as it is posted
 * @param {{elevation?: number, standardDensity?: number, probeFactor?: number|null}} place
 * @returns {{flow: number, standardFlow: number|null, velocity: number|null, density: number,
 *   runs: {run: number, flow: number}[], notes: string[]}} SI. Throws NeedsService.
 */
export function preview(body, place = {}) {
  const of = METHODS[body.method];
  if (!of) throw new NeedsService(gettext("The service computes this one."));
  try {
    return of(body, place);
  } catch (error) {
    if (error instanceof NeedsService) throw error;
    throw new NeedsService(error.message);
  }
}

/** The flow of each run of a traverse alone, and how far they lie apart, as a fraction of their mean. */
export function runSpread(runs) {
  const flows = runs.map((run) => run.flow);
  if (flows.length < 2) return null;
  const mean = meanOf(flows);
  return mean ? (Math.max(...flows) - Math.min(...flows)) / mean : null;
}

const METHODS = {
  pitot_traverse: pitotTraverse,
  swept_traverse: sweptTraverse,
  anemometer_traverse: anemometerTraverse,
  centreline_reading: centreline,
  hood_reading: hood,
  valve_flow: valve,
};

function pitotTraverse(body, place) {
  const { roots, notes } = rootsOf(body);
  return ofVelocities(body, place, roots, (density) => (place.probeFactor ?? 1) / Math.sqrt(density), notes);
}

function anemometerTraverse(body, place) {
  const duct = ductOf(body.plane), told = body.told ?? {};
  const thermal = told.signal === "standard_velocity";
  if (!told.signal) throw new NeedsService(gettext("Say first what the instrument shows."));
  const reference = siOf(told.reference_density, "density") ?? place.standardDensity ?? 1.204;
  const blocked = (siOf(told.head_area, "area") ?? 0) / areaOf(duct);
  if (blocked > 0.1) throw new NeedsService(gettext("The head blocks more than a tenth of the duct."));
  const values = rowsOf(body, "velocity", "velocity");
  const factor = (density) => (1 - blocked) * (thermal ? reference / density : 1);
  return ofVelocities(body, place, values, factor, []);
}

/** Lines of a rectangle or flat oval by the means that were shown; series and diameters need the service. */
function sweptTraverse(body, place) {
  const sweeps = body.sweeps ?? [];
  if (!sweeps.length) throw new NeedsService(gettext("No line is swept yet."));
  const { quantity } = sweeps[0], pressure = quantity === "pressure", duct = ductOf(body.plane);
  if (duct.shape === "round") throw new NeedsService(gettext("For sweeps along diameters the service computes the flow."));
  if (sweeps.some((sweep) => !sweep.mean)) throw new NeedsService(gettext("For a series of samples the service computes the flow."));
  const moments = sweeps.map((sweep) => ({ taken_at: sweep.started_at }));
  const zero = pressure ? zeroOf({ ...body, readings: moments }, "pressure") : 0;
  const rows = sweeps.map((sweep) => ({ run: sweep.run, line: sweep.line, point: 1, value: siOf(sweep.mean, quantity) - zero }));
  if (rows.some((row) => row.value < 0)) throw new NeedsService(gettext("A line averages below zero: look at the hoses and the direction."));
  if (!pressure) return ofVelocities(body, place, rows, () => place.probeFactor ?? 1, []);
  const roots = rows.map((row) => ({ ...row, value: Math.sqrt(2 * row.value) }));
  const averaged = 1 - averageBias(body.plane, duct);
  return ofVelocities(body, place, roots, (density) => (averaged * (place.probeFactor ?? 1)) / Math.sqrt(density), []);
}

/** How much the root of a mean pressure reads above the mean root, where no series tells it. */
function averageBias(plane, duct) {
  const { grade } = planeQuality(duct, siOf(plane.upstream, "length"), siOf(plane.downstream, "length"));
  const spread = PRESSURE_CV * (grade === "poor" ? UNEVEN_CV : 1);
  return (spread * spread) / 8;
}

function centreline(body, place) {
  const { roots, notes } = rootsOf(body);
  const factor = (density) => (AXIS_FACTOR * (place.probeFactor ?? 1)) / Math.sqrt(density);
  const each = roots.map((row, n) => ({ ...row, line: 1, point: 1, run: n + 1 }));
  notes.push(gettext("One reading at the axis is for screening only: it carries no verdict."));
  return ofVelocities(body, place, each, factor, notes);
}

function hood(body, place) {
  const rows = rowsOf(body, "flow", "flow");
  if (rows.some((row) => row.value < 0)) throw new NeedsService(gettext("Enter a hood's flow without its sign."));
  const factor = place.probeFactor ?? 1, air = airOf(body, place);
  const runs = rows.map((row, n) => ({ run: n + 1, flow: factor * row.value }));
  return withStandard(meanOf(runs.map((run) => run.flow)), null, air, place, runs, []);
}

function valve(body) {
  const told = body.told ?? {};
  if (told.fluid && told.fluid !== "water") {
    throw new NeedsService(gettext("For a glycol mixture the service computes the flow."));
  }
  const coefficient = siOf(told.coefficient, "flow_coefficient");
  if (!(coefficient > 0)) throw new NeedsService(gettext("Enter the valve's flow coefficient first."));
  const readings = body.readings ?? [];
  const rows = rowsOf(body, "pressure", "pressure");
  const temperatures = readings.filter((row) => row.place === "temperature");
  const temperature = temperatures.length
    ? meanOf(temperatures.map((row) => siOf(row, "temperature"))) : ASSUMED_WATER;
  if (temperature < ZERO_CELSIUS || temperature > 423.15) {
    throw new NeedsService(gettext("Water is reckoned with from 0 to 150 °C."));
  }
  const zero = zeroOf(body, "water_pressure"), density = waterDensity(temperature);
  const net = rows.map((row) => row.value - zero);
  const swapped = net.every((value) => value < 0);
  const drops = net.map((value) => (swapped ? -value : value));
  const factor = coefficient * (siOf(told.viscosity_factor, "fraction") ?? 1);
  const flowOf = (drop) => factor * Math.sqrt((Math.max(drop, 0) * REFERENCE_DENSITY) / density);
  const notes = swapped ? [SWAPPED()] : [];
  if (!temperatures.length) notes.push(gettext("The water is taken to have 40 °C."));
  const runs = drops.map((drop, n) => ({ run: n + 1, flow: flowOf(drop) }));
  return { flow: flowOf(meanOf(drops)), standardFlow: null, velocity: null, density, runs, notes };
}

const SWAPPED = () => gettext("Every pressure is negative: the hoses look swapped. Magnitudes are shown.");

/** Roots of the velocity pressures, corrected for the zero: sqrt(2 p), nothing below zero. */
function rootsOf(body) {
  const zero = zeroOf(body, "pressure");
  const rows = rowsOf(body, "velocity_pressure", "pressure").map((row) => ({ ...row, value: row.value - zero }));
  const swapped = rows.every((row) => row.value < 0);
  const roots = rows.map((row) => ({
    ...row, value: Math.sqrt(2 * Math.max(swapped ? -row.value : row.value, 0)),
  }));
  return { roots, notes: swapped ? [SWAPPED()] : [] };
}

function ofVelocities(body, place, rows, factorOf, given) {
  const corrected = body.plane.rule === "equal_area" && body.plane.shape !== "round";
  const notes = corrected ? [...given, gettext("Points of equal areas read some per cent high; the service takes that off where the company says so.")] : given;
  const area = areaOf(ductOf(body.plane)), air = airOf(body, place), factor = factorOf(air.density);
  const velocity = factor * meanOfPlaces(rows);
  if (velocity < 0) throw new NeedsService(gettext("The velocities average below zero: look at the probe's direction."));
  const runs = [...new Set(rows.map((row) => row.run))].sort((a, b) => a - b).map((run) => ({
    run, flow: factor * meanOfPlaces(rows.filter((row) => row.run === run)) * area,
  }));
  return withStandard(velocity * area, velocity, air, place, runs, notes);
}

function withStandard(flow, velocity, air, place, runs, notes) {
  const standardFlow = (flow * air.density) / (place.standardDensity ?? 1.204);
  return { flow, standardFlow, velocity, density: air.density, runs, notes: [...notes, ...air.notes] };
}

/** Readings of a method's first place, SI. Throws NeedsService without any. */
function rowsOf(body, place, quantity) {
  const found = (body.readings ?? []).filter((row) => !row.place || row.place === place);
  if (!found.length) throw new NeedsService(gettext("There is no reading yet."));
  return found.map((row) => ({ run: row.run, line: row.line, point: row.point, value: siOf(row, quantity) }));
}

/** Places weigh equally, so do the readings at one place. */
function meanOfPlaces(rows) {
  const places = new Map();
  for (const row of rows) {
    const key = `${row.line}.${row.point}`;
    places.set(key, [...(places.get(key) ?? []), row.value]);
  }
  return meanOf([...places.values()].map(meanOf));
}

function meanOf(values) {
  return values.reduce((sum, value) => sum + value, 0) / values.length;
}

/** The duct of a plane as posted. Throws layout.Unfit. */
export function ductOf(plane) {
  if (!plane?.shape) throw new NeedsService(gettext("Enter the duct as found first."));
  const size = (name) => siOf(plane[name], "length") ?? undefined;
  return makeDuct({
    shape: plane.shape, width: plane.shape === "round" ? size("diameter") : size("width"), height: size("height"),
    wall: size("wall"), lining: size("lining"),
  });
}

/** What the instrument showed with no pressure: the mean of the first before and the last after, Pa. */
function zeroOf(body, use) {
  const tool = body.instruments?.[use];
  const checks = (body.zero_checks ?? []).filter((check) => check.instrument === tool)
    .map((check) => ({ at: Date.parse(check.at), value: siOf(check, "pressure") }))
    .sort((a, b) => a.at - b.at);
  const moments = (body.readings ?? []).map((row) => Date.parse(row.taken_at));
  const middle = (Math.min(...moments) + Math.max(...moments)) / 2;
  const before = checks.filter((check) => check.at <= middle), after = checks.filter((check) => check.at > middle);
  const known = [before[0], after.at(-1)].filter(Boolean).map((check) => check.value);
  return known.length ? meanOf(known) : 0;
}

/** Density of the air at the plane from the session's conditions. Throws NeedsService. */
export function airOf(body, { elevation = 0 } = {}) {
  const given = body.conditions ?? {};
  const temperature = siOf(given.air_temperature, "temperature");
  if (temperature === null) throw new NeedsService(gettext("Enter the air temperature first."));
  const humidity = siOf(given.relative_humidity, "humidity") ?? UNKNOWN_HUMIDITY;
  const barometer = siOf(given.barometric_pressure, "absolute_pressure") ?? pressureAtAltitude(elevation);
  const pressure = barometer + (siOf(given.duct_static_pressure, "pressure") ?? 0);
  const notes = [];
  if (!given.relative_humidity) notes.push(gettext("Without a humidity, 50 % is taken."));
  if (!given.barometric_pressure) notes.push(gettext("Without a barometer, the pressure is taken by the site's height."));
  return { density: densityOf(temperature, pressure, humidity), notes };
}

/** Pressure of the standard atmosphere at a height in m, Pa (ISO 2533). */
export function pressureAtAltitude(altitude) {
  return 101325 * (1 - (0.0065 * altitude) / 288.15) ** (9.80665 / (287.05287 * 0.0065));
}

/** Density of moist air, kg/m³. K, Pa, 0 to 1. Throws NeedsService outside what the service covers. */
export function densityOf(temperature, pressure, humidity) {
  const covered = temperature >= 233.15 && temperature <= 363.15 && pressure >= 5e4 && pressure <= 1.2e5
    && humidity >= 0 && humidity <= 1;
  if (!covered) throw new NeedsService(gettext("The air is outside what can be reckoned with; look at its figures."));
  const near = temperature >= 288.15 - 1e-9 && temperature <= 300.15 + 1e-9;
  if (near && pressure >= 60000 && pressure <= 110000) return cipmDensity(temperature, pressure, humidity);
  const saturation = temperature <= 273.16 ? overIce(temperature) : overWater(temperature);
  const vapour = humidity * saturation;
  if (vapour > 0.5 * pressure) throw new NeedsService(gettext("More than half of the air would be water vapour."));
  return (pressure - (1 - MASS_RATIO) * vapour) / (R_DRY_AIR * temperature);
}

function cipmDensity(temperature, pressure, humidity) {
  const t = temperature - ZERO_CELSIUS;
  const saturation = Math.exp(
    1.2378847e-5 * temperature ** 2 - 1.9121316e-2 * temperature + 33.93711047 - 6.3431645e3 / temperature);
  const xv = (humidity * (1.00062 + 3.14e-8 * pressure + 5.6e-7 * t * t) * saturation) / pressure;
  const first = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t * t
    + (5.707e-6 - 2.051e-8 * t) * xv + (1.9898e-4 - 2.376e-6 * t) * xv * xv;
  const ratio = pressure / temperature;
  const z = 1 - ratio * first + ratio * ratio * (1.83e-11 - 0.765e-8 * xv * xv);
  return ((3.48374e-3 * ratio) / z) * (1 - 0.378 * xv);
}

function overWater(t) {
  return Math.exp(-5.8002206e3 / t + 1.3914993 - 4.8640239e-2 * t + 4.1764768e-5 * t * t
    - 1.4452093e-8 * t ** 3 + 6.5459673 * Math.log(t));
}

function overIce(t) {
  return Math.exp(-5.6745359e3 / t + 6.3925247 - 9.677843e-3 * t + 6.2215701e-7 * t * t
    + 2.0747825e-9 * t ** 3 - 9.484024e-13 * t ** 4 + 4.1635019 * Math.log(t));
}

const KELL = [999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12];

function waterDensity(temperature) {
  const t = temperature - ZERO_CELSIUS;
  return KELL.reduceRight((total, c) => total * t + c, 0) / (1 + 16.87985e-3 * t);
}
