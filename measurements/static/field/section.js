/** Drawings: the duct's section to scale with its holes and points, and the straight duct along it. */

import { svg } from "./dom.js";
import { fromSI, onTape, shown, withUnit } from "./units.js";
import { say } from "./words.js";

const WIDTH = 640, HEIGHT = 420, LEFT = 96, MARGIN = 40;

/**
 * The section of a layout.
 * @param {object} layout of makeLayout
 * @param {{system: string, read?: Set<string>, at?: {line: number, point: number}|null, depths?: boolean}} options
 *   read: "line.point" of what is read; at: the point that is next
 * @returns {SVGElement}
 */
export function section(layout, { system, read = new Set(), at = null, depths = false }) {
  const { duct } = layout, inside = { width: WIDTH - LEFT - MARGIN, height: HEIGHT - 2 * MARGIN };
  const scale = Math.min(inside.width / duct.width, inside.height / duct.height);
  const left = LEFT + (inside.width - duct.width * scale) / 2, top = MARGIN;
  const across = (x) => left + (duct.shape === "round" ? duct.width / 2 + x : x) * scale;
  const down = (y) => top + (duct.shape === "round" ? duct.width / 2 - y : y) * scale;
  const words = say(gettext("Section, %(size)s: %(lines)s holes with %(points)s points each, seen along the duct."), {
    size: sizeText(duct, system), lines: layout.lines, points: layout.points,
  });
  return svg(
    "svg",
    { class: "section-drawing", viewBox: `0 0 ${WIDTH} ${Math.ceil(top + duct.height * scale + MARGIN)}`, role: "img", "aria-label": words },
    wallOf(duct, left, top, scale),
    layout.holes.map((hole) => lineOf(layout, hole, across, down)),
    depths ? depthLabels(layout, system, across, down) : null,
    layout.depths.map((point) => dot(point, across(point.x), down(point.y), read, at)),
  );
}

function wallOf(duct, x, y, scale) {
  const width = duct.width * scale, height = duct.height * scale;
  const round = { round: width / 2, rectangular: 0, oval: height / 2 }[duct.shape];
  return svg("rect", { class: "section-wall", x, y, width, height, rx: round, ry: round });
}

/** A hole's line from the drilled wall to the far one, with the hole's letter outside. */
function lineOf(layout, hole, across, down) {
  const { duct } = layout, own = layout.depths.filter((point) => point.line === hole.line);
  const [first, last] = [own[0], own.at(-1)];
  const length = Math.hypot(last.x - first.x, last.y - first.y) || 1;
  const step = [(first.x - last.x) / length, (first.y - last.y) / length];
  const start = [first.x + step[0] * first.depth, first.y + step[1] * first.depth];
  const end = [last.x - step[0] * (last.opposite - duct.skin), last.y - step[1] * (last.opposite - duct.skin)];
  const sign = duct.shape === "round" ? -1 : 1;
  const place = [across(start[0]) + step[0] * 20, down(start[1]) + sign * step[1] * 20];
  return svg(
    "g", {},
    svg("line", { class: "section-line", x1: across(start[0]), y1: down(start[1]), x2: across(end[0]), y2: down(end[1]) }),
    svg("circle", { class: "section-hole", cx: across(start[0]), cy: down(start[1]), r: 5 }),
    svg("text", { class: "section-letter", x: place[0], y: place[1] + 7, "text-anchor": "middle" }, hole.label),
  );
}

function dot(point, x, y, read, at) {
  const next = at && at.line === point.line && at.point === point.point;
  const done = read.has(`${point.line}.${point.point}`);
  const dots = [svg("circle", { class: done ? "section-read" : "section-point", cx: x, cy: y, r: done ? 7 : 5 })];
  if (next) dots.push(svg("circle", { class: "section-next", cx: x, cy: y, r: 13 }));
  return dots;
}

/** Marks of the first hole's points, as set on the tape, at the left of the section. */
function depthLabels(layout, system, across, down) {
  if (layout.duct.shape === "oval") return null; // each hole has its own depths; the table tells them
  let lowest = -Infinity;
  return layout.depths.filter((point) => point.line === 1).map((point) => {
    const y = Math.max(down(point.y), lowest + 22);
    lowest = y;
    return svg("text", { class: "section-depth", x: LEFT - 16, y: y + 6, "text-anchor": "end" }, onTape(point.mark, system).text);
  });
}

/** The inside size as found: "500 × 400 mm", "⌀ 250 mm". */
export function sizeText(duct, system) {
  const part = (length) => {
    const [code, places] = system === "ip" ? ["[in_i]", 3] : ["mm", 1];
    return withUnit(String(Number(fromSI(length, code, "length").toFixed(places))), code, "length");
  };
  if (duct.shape === "round") return `⌀ ${part(duct.width)}`;
  return `${part(duct.width)} × ${part(duct.height)}`;
}

/** What a plane is worth, in words. */
export function planeWords(quality) {
  const number = (value) => shown(value, 1);
  if (quality.grade === "unknown") {
    return gettext("The straight lengths are not measured: the service counts a large uncertainty for the plane.");
  }
  const said = { before: number(quality.upstream), after: number(quality.downstream) };
  const lengths = say(gettext("%(before)s diameters before and %(after)s after the plane"), said);
  return {
    good: say(gettext("Good plane: %(lengths)s (7.5 and 3 are wanted)."), { lengths }),
    fair: say(gettext("Fair plane: %(lengths)s; 7.5 and 3 are wanted. The uncertainty will be larger."), { lengths }),
    poor: say(gettext("Poor plane: %(lengths)s; below 3 and 1 the profile is skewed. Look for a better place, or expect a large uncertainty."), { lengths }),
  }[quality.grade];
}

/** The duct from the last disturbance over the plane to the next one, lengths in proportion. */
export function alongDuct(quality, { before, after }) {
  if (quality.grade === "unknown") return null;
  const total = Math.max(quality.upstream + quality.downstream, 0.1), start = 24, width = WIDTH - 48;
  const plane = start + (quality.upstream / total) * width;
  const text = (x, y, words, anchor = "middle", kind = "section-depth") => svg("text", { class: kind, x, y, "text-anchor": anchor }, words);
  return svg(
    "svg", { class: "section-along", viewBox: `0 0 ${WIDTH} 132`, role: "img", "aria-label": planeWords(quality) },
    svg("rect", { class: "section-wall", x: start, y: 32, width, height: 48 }),
    svg("line", { class: "section-plane", x1: plane, y1: 20, x2: plane, y2: 92 }),
    text(plane, 14, gettext("plane"), plane < 60 ? "start" : plane > WIDTH - 60 ? "end" : "middle"),
    svg("path", { class: "section-flow", d: `M${start + 8} 56 h40 m-10 -8 l10 8 l-10 8` }),
    text(start, 104, `${shown(quality.upstream, 1)} D`, "start", "section-letter"),
    text(start, 126, before || gettext("last disturbance"), "start"),
    text(WIDTH - start, 104, `${shown(quality.downstream, 1)} D`, "end", "section-letter"),
    text(WIDTH - start, 126, after || gettext("next disturbance"), "end"),
  );
}
