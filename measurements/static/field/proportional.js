/**
 * Proportional balancing of one branch without network: which readings belong together, the lowest share that
 * stays open, which damper next and which reading to set there.
 *
 * The arithmetic is the service's for outlets on one duct after one survey (measurements/calc: network_model.py,
 * network_aims.py, network_walk.py, network_steps.py; measurements/balancing/rounds.py); a test compares both.
 * What needs the service: what a second survey shows of the ducts, branches against each other, the fan.
 */

const EXPONENT = 2;
/** Share of the shut-off pressure taken to be lost before the branch's outlets. */
const LOSS = 0.3;
/** No adjustment for less than this fraction of flow. */
const LEAVE = 0.01;

/**
 * How a damper stands by the technician's words; nothing told: open, as before a first round.
 * @param {string} setting
 * @returns {"open"|"set"|"none"}
 */
export function stands(setting) {
  const text = (setting ?? "").trim();
  if (!text) return "open";
  if (/\bno (damper|valve)\b|^none$/i.test(text)) return "none";
  const part = /\b(\d+(?:\.\d+)?) ?(?:of|\/) ?(\d+(?:\.\d+)?)\b/.exec(text);
  if (part) return Number(part[1]) >= Number(part[2]) && Number(part[2]) > 0 ? "open" : "set";
  return /\b(fully |full )?open\b|\b100 ?%/i.test(text) && !/\b(half|part|not)\b/i.test(text) ? "open" : "set";
}

/**
 * Which readings make complete surveys: every outlet once, with nothing turned meanwhile.
 * @param {string[]} points
 * @param {{point: string, at: number, value: number|null, moved: boolean}[]} figures
 * @param {number[]} [moves] moments at which something else changed the flows here
 * @returns {{complete: {readings: Map<string, object>, until: number}[], turned: Set<string>, since: Map<string, object>}}
 */
export function surveys(points, figures, moves = []) {
  const wanted = new Set(points);
  const events = [
    ...moves.map((at) => ({ at, rank: 0 })),
    ...figures.filter((one) => wanted.has(one.point)).map((figure) => ({ at: figure.at, rank: 1, figure })),
  ].sort((a, b) => a.at - b.at || a.rank - b.rank);
  const complete = [], turned = new Set();
  let current = new Map();
  const close = () => {
    if (wanted.size && [...wanted].every((point) => current.has(point))) {
      complete.push({ readings: current, until: Math.max(...[...current.values()].map((one) => one.at)) });
      turned.clear();
    }
    current = new Map();
  };
  for (const { figure } of events) {
    if (!figure) { close(); continue; }
    if (figure.moved) { close(); turned.add(figure.point); }
    if (figure.value !== null) current.set(figure.point, figure);
  }
  const since = current;
  if (wanted.size && [...wanted].every((point) => current.has(point))) close();
  return { complete, turned, since };
}

/** Why a plan is the service's work, or cannot be made at all; the message is for people. */
export class NoPlan extends Error {}

/**
 * The plan after one survey.
 * @param {{tag: string, design: number, flow: number, damper: "open"|"set"|"none"}[]} outlets m³/s
 * @returns {{reference: string, level: number, lowest: number, highest: number, steps: {number: number,
 *   tag: string, action: "close"|"open"|"shut", before: number, target: number, share: number|null,
 *   against: string|null, watch: number|null, watchAfter: number|null}[]}} `level`: the common share then;
 *   `lowest`, `highest`: shares over that of all; `watch`, `watchAfter`: flow of the outlet that stays open,
 *   before and after the step. Throws NoPlan.
 */
export function plan(outlets) {
  const flows = outlets.map((one) => Math.max(one.flow, 0));
  const total = sum(flows), design = sum(outlets.map((one) => one.design));
  if (!outlets.length || !(design > 0)) throw new NoPlan(gettext("No outlet here has a design flow."));
  if (!(total > 0)) throw new NoPlan(gettext("No outlet here shows any flow: look for a closed damper."));
  const root = 1 / EXPONENT;
  const duct = LOSS / total ** EXPONENT;
  const g = flows.map((flow) => flow / (1 - LOSS) ** root);
  const live = outlets.map((one, n) => one.design > 0 && g[n] > 0);
  const aim = aims(outlets, g, live);
  const reference = aim.reference;
  const flowOf = (n) => {
    const inside = sum(g);
    return inside > 0 ? ((duct + inside ** -EXPONENT) ** -root) * (g[n] / inside) : 0;
  };
  const watched = () => (reference < 0 ? null : flowOf(reference));
  const steps = [];
  outlets.forEach((one, n) => {
    if (aim.g[n] > 0 || g[n] <= 0) return;
    const step = { tag: one.tag, action: "shut", before: flowOf(n), target: 0, share: null, watch: watched() };
    g[n] = 0;
    steps.push({ ...step, watchAfter: watched() });
  });
  const turned = outlets.map((_one, n) => n).filter((n) => aim.g[n] > 0 && outlets[n].damper !== "none")
    .map((n) => ({ n, far: Math.abs(Math.log(aim.g[n] / g[n])) })).sort((a, b) => b.far - a.far);
  for (const { n } of turned) {
    const before = flowOf(n), watch = watched(), was = g[n];
    g[n] = aim.g[n];
    const target = flowOf(n);
    if (Math.abs(Math.log(target / before)) < LEAVE) { g[n] = was; continue; }
    steps.push({
      tag: outlets[n].tag, action: target < before ? "close" : "open", before, target,
      share: target / outlets[n].design, watch, watchAfter: watched(),
    });
  }
  const order = neighbours(outlets);
  const relative = outlets.filter((one) => one.design > 0).map((one) => one.flow / one.design / (total / design));
  return {
    reference: reference < 0 ? "" : outlets[reference].tag,
    level: sum(outlets.map((_one, n) => flowOf(n))) / design,
    lowest: Math.min(...relative),
    highest: Math.max(...relative),
    steps: steps.map((step, n) => ({ number: n + 1, ...step, against: order.get(step.tag) ?? null })),
  };
}

/** Conductances wanted, and which outlet needs the most pressure for its share: it stays as it is. */
function aims(outlets, g, live) {
  let reference = -1, most = -Infinity;
  outlets.forEach((one, n) => {
    const need = live[n] ? (one.design / g[n]) ** EXPONENT : -Infinity;
    if (need > most) [reference, most] = [n, need];
  });
  const wanted = outlets.map((one, n) => {
    if (one.design === 0 && one.damper !== "none") return 0;
    const free = one.damper !== "none" && live[n];
    return free ? one.design / most ** (1 / EXPONENT) : g[n];
  });
  return { g: wanted, reference };
}

/** By outlet the one with the next lower share, against which the proportional method reads it. */
function neighbours(outlets) {
  const rows = outlets.filter((one) => one.flow > 0 && one.design > 0)
    .map((one) => ({ tag: one.tag, share: one.flow / one.design })).sort((a, b) => a.share - b.share);
  return new Map(rows.slice(1).map((row, n) => [row.tag, rows[n].tag]));
}

/**
 * The reading to set, when `before` was read there before turning (and `witness` at the witness), m³/s.
 * @param {{action: string, before: number, target: number, gain?: number,
 *   witness?: {expected: number, gain_before: number, gain: number}|null}} step
 */
export function liveTarget(step, before, witness = null) {
  if (step.action === "shut" || !(step.before > 0) || !(before > 0)) return step.target;
  const surprise = before / step.before;
  if (witness === null || !step.witness) return step.target * surprise ** (step.gain ?? 0);
  return step.target * surprise ** step.witness.gain_before * (witness / step.witness.expected) ** step.witness.gain;
}

/**
 * Where a branch stands and what to do next.
 * @param {{tag: string, point: string, design: number, damper: string}[]} outlets
 * @param {object[]} figures as of `surveys`
 * @param {number} tolerance within which shares count as equal
 * @param {number[]} [moves]
 * @returns {{do: "read"|"adjust"|"again"|"equal"|"stuck", missing: string[], plan: object|null, surveys: number,
 *   until: number|null, turned: Set<string>, refused: string}} as the service's branches
 */
export function branchState(outlets, figures, tolerance, moves = []) {
  const found = surveys(outlets.map((one) => one.point), figures, moves);
  const missing = outlets.map((one) => one.point).filter((point) => !found.since.has(point));
  const last = found.complete.at(-1);
  const made = {
    do: "read", missing, plan: null, surveys: found.complete.length, until: last?.until ?? null,
    turned: found.turned, refused: "",
  };
  if (!last) return made;
  try {
    made.plan = plan(outlets.map((one) => ({ ...one, flow: last.readings.get(one.point).value })));
  } catch (error) {
    if (!(error instanceof NoPlan)) throw error;
    return { ...made, do: "stuck", refused: error.message };
  }
  const points = new Map(outlets.map((one) => [one.tag, one.point]));
  const open = outlets.length > 1 ? made.plan.steps.filter((step) => !found.turned.has(points.get(step.tag))) : [];
  const equal = made.plan.lowest >= 1 - tolerance && made.plan.highest <= 1 + tolerance;
  if (equal && !found.turned.size) return { ...made, do: "equal", missing: [] };
  if (open.length && !equal) return { ...made, do: "adjust", missing: [] };
  return found.turned.size ? { ...made, do: "again" } : { ...made, do: "stuck", missing: [] };
}

function sum(values) {
  return values.reduce((total, value) => total + value, 0);
}
