/**
 * Where to drill and how far to insert, worked out on the tablet for the sizes as found.
 *
 * The same constructions as the service's (measurements/calc/layout.py, positions.py and duct.py, which name
 * their sources); a test compares both. All lengths in m, from the near inside wall unless said otherwise.
 */

const INCH = 0.0254, PITCH = 6 * INCH, SLACK = 1e-9;

/** A duct that cannot be, or a number that a rule cannot have; the message is for people. */
export class Unfit extends Error {
  /** @param {string} field which entry is wrong @param {string} message */
  constructor(field, message) {
    super(message);
    this.field = field;
  }
}

/**
 * @typedef {object} Duct
 * @property {"round"|"rectangular"|"oval"} shape
 * @property {number} width diameter of a round duct; else the inside width of the wall that is drilled
 * @property {number} [height] the other inside dimension
 * @property {number} [wall] of metal, @property {number} [lining] between the outside and the air
 */

/** The duct, checked. Throws Unfit. @returns {Duct & {depth: number, skin: number}} */
export function makeDuct({ shape, width, height, wall = 0, lining = 0 }) {
  if (!(width > 0)) throw new Unfit(shape === "round" ? "diameter" : "width", gettext("Enter the size as found."));
  if (shape !== "round" && !(height > 0)) throw new Unfit("height", gettext("Enter the height as found."));
  if (shape === "oval" && width < height) {
    throw new Unfit("width", gettext("The width of a flat oval is its longer dimension."));
  }
  if (!(wall >= 0) || !(lining >= 0)) throw new Unfit("wall", gettext("A wall is not thinner than nothing."));
  const depth = shape === "round" ? width : height;
  return { shape, width, height: depth, depth, wall, lining, skin: wall + lining };
}

/** Free area, m². */
export function areaOf({ shape, width, height }) {
  if (shape === "round") return (Math.PI / 4) * width * width;
  if (shape === "rectangular") return width * height;
  return (Math.PI / 4) * height * height + height * (width - height);
}

/** 4 area / perimeter, m. */
export function hydraulicDiameter(duct) {
  const { shape, width, height } = duct;
  const perimeter = {
    round: () => Math.PI * width,
    rectangular: () => 2 * (width + height),
    oval: () => Math.PI * height + 2 * (width - height),
  }[shape]();
  return (4 * areaOf(duct)) / perimeter;
}

/** Rules that a shape may have, the usual one first. */
export function rulesFor(shape) {
  return {
    round: ["log_linear", "log_tchebycheff", "equal_area"],
    rectangular: ["log_tchebycheff", "equal_area"],
    oval: ["equal_area"],
  }[shape];
}

/** Lines and points on each that a rule asks for in this duct. Throws Unfit. */
export function advisedCounts(duct, rule) {
  if (duct.shape === "round") return { lines: 2, points: duct.width > 10 * INCH + SLACK ? 10 : 6 };
  if (!rulesFor(duct.shape).includes(rule)) throw new Unfit("rule", gettext("This rule is not for this shape."));
  const across = rule === "equal_area" ? equalAreaLines : tchebycheffLines;
  return { lines: across(duct.width), points: across(duct.depth) };
}

function tchebycheffLines(side) {
  const inches = Number((side / INCH).toFixed(9));
  return inches < 30 ? 5 : inches <= 36 ? 6 : 7;
}

function equalAreaLines(side) {
  return Math.min(Math.max(Math.ceil(Number((side / PITCH).toFixed(9))), 4), 8);
}

/**
 * A traverse laid out: holes with the place of each, and points with depths and marks for the probe.
 * @param {Duct} given @param {string} rule @param {number} [lines] holes @param {number} [points] on each
 * @returns {{duct: object, rule: string, lines: number, points: number, holes: object[], depths: object[],
 *   reach: number}} holes: {line, label, position, angle, mark}; depths: {line, point, label, x, y, depth,
 *   mark, opposite}; marks are from the outside of the duct
 */
export function makeLayout(given, rule, lines, points) {
  const duct = makeDuct(given), advised = advisedCounts(duct, rule);
  const columns = lines ?? advised.lines, rows = points ?? advised.points;
  for (const [field, number] of [["lines", columns], ["points", rows]]) {
    if (!Number.isInteger(number) || number < 1 || number > 200) {
      throw new Unfit(field, gettext("This is a whole number from 1 to 200."));
    }
  }
  const { holes, depths } = PLACE[duct.shape](duct, rule, columns, rows);
  return {
    duct, rule, lines: columns, points: rows, holes, depths,
    reach: Math.max(...depths.map((point) => point.mark)),
  };
}

const PLACE = { round: placeRound, rectangular: placeRectangular, oval: placeOval };

function placeRound(duct, rule, columns, rows) {
  if (columns !== 2 && columns !== 3) {
    throw new Unfit("lines", gettext("A round duct is traversed on 2 or 3 diameters."));
  }
  const fractions = roundFractions(rule, rows), radius = duct.width / 2;
  const around = (Math.PI * (radius + duct.skin)) / columns;
  const holes = range(columns).map((i) => ({
    line: i + 1, label: letters(i), position: 0, angle: (180 * i) / columns, mark: around * i,
  }));
  const depths = holes.flatMap((hole) => fractions.map((share, row) => {
    const along = radius - share * duct.width, turned = ((90 - hole.angle) * Math.PI) / 180;
    const place = [along * Math.cos(turned), along * Math.sin(turned)];
    return pointAt(hole, row, place, share * duct.width, duct.width, duct.skin);
  }));
  return { holes, depths };
}

function placeRectangular(duct, rule, columns, rows) {
  const across = sideFractions(rule, columns), down = sideFractions(rule, rows);
  const holes = across.map((share, i) => ({
    line: i + 1, label: letters(i), position: share * duct.width, angle: 0,
    mark: duct.skin + share * duct.width,
  }));
  const depths = holes.flatMap((hole) => down.map((share, row) =>
    pointAt(hole, row, [hole.position, share * duct.depth], share * duct.depth, duct.depth, duct.skin)));
  return { holes, depths };
}

function placeOval(duct, rule, columns, rows) {
  if (rule !== "equal_area") throw new Unfit("rule", gettext("A flat oval duct is traversed by equal areas."));
  const down = sideFractions(rule, rows);
  const holes = sideFractions("equal_area", columns).map((share, i) => {
    const position = ovalLine(duct, share);
    return { line: i + 1, label: letters(i), position, angle: 0, mark: ovalMark(duct, position) };
  });
  const depths = holes.flatMap((hole) => {
    const chord = ovalChord(duct, hole.position), skin = ovalSkin(duct, hole.position);
    const top = (duct.depth - chord) / 2;
    return down.map((share, row) =>
      pointAt(hole, row, [hole.position, top + share * chord], share * chord, chord, skin));
  });
  return { holes, depths };
}

function pointAt(hole, row, [x, y], depth, length, skin) {
  return {
    line: hole.line, point: row + 1, label: `${hole.label}${row + 1}`, x, y, depth, mark: depth + skin,
    opposite: length - depth + skin,
  };
}

function letters(index) {
  let text = "", rest = index + 1;
  while (rest) {
    const digit = (rest - 1) % 26;
    text = String.fromCharCode(65 + digit) + text;
    rest = (rest - 1 - digit) / 26;
  }
  return text;
}

function range(count) {
  return Array.from({ length: count }, (_, i) => i);
}

function ovalChord(duct, x) {
  const r = duct.depth / 2, end = Math.min(x, duct.width - x);
  return end >= r ? duct.depth : 2 * Math.sqrt(Math.max(r * r - (r - end) ** 2, 0));
}

function ovalOffset(duct, x) {
  return Math.max(duct.depth / 2 - Math.min(x, duct.width - x), 0);
}

function ovalSkin(duct, x) {
  const r = duct.depth / 2, offset = ovalOffset(duct, x), outer = r + duct.skin;
  return Math.sqrt(outer * outer - offset * offset) - Math.sqrt(Math.max(r * r - offset * offset, 0));
}

function ovalMark(duct, x) {
  const offset = ovalOffset(duct, x), middle = x - duct.width / 2;
  if (offset === 0) return middle;
  const outer = duct.depth / 2 + duct.skin;
  const length = (duct.width - duct.depth) / 2 + outer * Math.asin(offset / outer);
  return Math.sign(middle) * length;
}

/** x that leaves a share of a flat oval's area on its left. */
function ovalLine(duct, share) {
  const r = duct.depth / 2, area = areaOf(duct), target = share * area;
  const left = (x) => {
    const end = Math.min(x, r);
    const half = r * r * Math.acos((r - end) / r) - (r - end) * Math.sqrt(Math.max(2 * r * end - end * end, 0));
    if (x <= r) return half;
    if (x <= duct.width - r) return half + (x - r) * duct.depth;
    return area - left(duct.width - x);
  };
  let low = 0, high = duct.width;
  for (let step = 0; step < 100; step += 1) {
    const middle = 0.5 * (low + high);
    if (left(middle) < target) low = middle;
    else high = middle;
  }
  return 0.5 * (low + high);
}

/** y/D of the points on one diameter; an even number, half of them on each radius. Throws Unfit. */
export function roundFractions(rule, perDiameter) {
  if (perDiameter < 2 || perDiameter % 2) {
    throw new Unfit("points", gettext("The points on a diameter are an even number, 2 or more."));
  }
  const near = ROUND[rule](perDiameter / 2);
  return [...near, ...[...near].reverse().map((y) => 1 - y)];
}

/** x/L of the points along one side of a rectangle. Throws Unfit. */
export function sideFractions(rule, lines) {
  if (rule === "equal_area") return range(lines).map((i) => (2 * i + 1) / (2 * lines));
  if (rule === "log_linear") throw new Unfit("rule", gettext("The log-linear rule is for round ducts."));
  if (lines < 3) throw new Unfit("lines", gettext("The log-Tchebycheff rule needs at least 3 along a side."));
  const end = 1 / (lines * Math.E);
  const inner = chebyshevNodes(lines - 2).map((x) => 0.5 + (0.5 - 1 / lines) * x);
  return [end, ...inner, 1 - end];
}

const ROUND = {
  log_linear(n) {
    const points = [];
    let inner = 1;
    if (n % 2) {
      inner = 1 - 1 / n;
      points.push(Math.exp(meanLog(inner, 1)));
    }
    for (let i = 0; i < Math.floor(n / 2); i += 1) {
      const outerEdge = inner - (i * 2) / n, innerEdge = Math.max(inner - ((i + 1) * 2) / n, 0);
      const half = meanDistance(innerEdge, outerEdge);
      const spread = Math.sqrt(half * half - Math.exp(2 * meanLog(innerEdge, outerEdge)));
      points.push(half - spread, half + spread);
    }
    return points.sort((a, b) => a - b);
  },
  log_tchebycheff(n) {
    const outer = Math.exp(meanLog(1 - 1 / n, 1));
    if (n === 1) return [outer];
    const squares = chebyshevNodes(n - 1).map((x) => 0.5 * (1 - 1 / n) * (1 + x));
    return [outer, ...squares.map((s) => 0.5 * (1 - Math.sqrt(s)))].sort((a, b) => a - b);
  },
  equal_area(n) {
    return range(n).map((k) => 0.5 * (1 - Math.sqrt((2 * (n - k) - 1) / (2 * n))));
  },
};

function meanDistance(inner, outer) {
  return 0.5 - (outer * Math.sqrt(outer) - inner * Math.sqrt(inner)) / (3 * (outer - inner));
}

function meanLog(inner, outer) {
  const integral = (square) => {
    const r = Math.sqrt(square), edge = square >= 1 ? 0 : (square - 1) * Math.log1p(-r);
    return edge - square / 2 - r;
  };
  return (integral(outer) - integral(inner)) / (outer - inner) - Math.LN2;
}

/** Nodes on (-1, 1) of the quadrature that gives n points equal weight (1 to 7 and 9 exist). Throws Unfit. */
export function chebyshevNodes(n) {
  const sums = [0, ...range(n).map((k) => ((k + 1) % 2 === 0 ? n / (k + 2) : 0))];
  const elementary = [1];
  for (let k = 1; k <= n; k += 1) {
    let total = 0;
    for (let i = 1; i <= k; i += 1) total += (i % 2 ? 1 : -1) * elementary[k - i] * sums[i];
    elementary.push(total / k);
  }
  const coefficients = elementary.map((e, k) => (k % 2 ? -e : e));
  const roots = rootsOf((x) => coefficients.reduce((value, c) => value * x + c, 0), 4000);
  if (roots.length !== n) {
    throw new Unfit("lines", gettext("The log-Tchebycheff rule does not exist for this number of points."));
  }
  return roots;
}

function rootsOf(of, cells) {
  const roots = [];
  const edge = (i) => -1 + (2 * i + 0.7) / cells;
  for (let i = 0; i + 1 < cells; i += 1) {
    let low = edge(i), high = edge(i + 1);
    const first = of(low);
    if (first * of(high) > 0) continue;
    for (let step = 0; step < 70; step += 1) {
      const middle = 0.5 * (low + high);
      if (first * of(middle) > 0) low = middle;
      else high = middle;
    }
    const root = 0.5 * (low + high);
    roots.push(Math.abs(root) < 1e-12 ? 0 : root);
  }
  return roots;
}

/**
 * Whether a probe reaches every point from the drilled side. unreachable: labels; bothSides: whether it does
 * when the far side is drilled too.
 * @param {object} layout @param {number} length of the probe that can enter
 */
export function checkProbe(layout, length) {
  const within = (mark) => mark <= length + 1e-12;
  const unreachable = layout.depths.filter((point) => !within(point.mark)).map((point) => point.label);
  return {
    reaches: unreachable.length === 0, unreachable, shortBy: Math.max(layout.reach - length, 0),
    bothSides: layout.depths.every((point) => within(Math.min(point.mark, point.opposite))),
  };
}

const WANTED = { upstream: 7.5, downstream: 3, leastUpstream: 3, leastDownstream: 1 };

/**
 * What the straight duct before and after the plane is worth (common practice: 7.5 diameters before, 3 after).
 * @param {Duct} duct @param {number|null} upstream m @param {number|null} downstream m
 * @returns {{grade: "good"|"fair"|"poor"|"unknown", upstream: number|null, downstream: number|null,
 *   diameter: number, wanted: object}} straight lengths in hydraulic diameters
 */
export function planeQuality(duct, upstream, downstream) {
  const diameter = hydraulicDiameter(duct);
  const before = upstream === null ? null : upstream / diameter;
  const after = downstream === null ? null : downstream / diameter;
  const enough = (found, wanted) => found >= wanted * (1 - SLACK);
  let grade = "unknown";
  if (before !== null && after !== null) {
    const least = enough(before, WANTED.leastUpstream) && enough(after, WANTED.leastDownstream);
    const full = enough(before, WANTED.upstream) && enough(after, WANTED.downstream);
    grade = !least ? "poor" : full ? "good" : "fair";
  }
  return { grade, upstream: before, downstream: after, diameter, wanted: WANTED };
}
