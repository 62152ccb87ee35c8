/** Marks for the probe to print at full size: lay the probe on the paper and mark it. */

import { h, svg } from "./dom.js";
import { makeLayout } from "./layout.js";
import { holesTable, markColumns, marksTable } from "./plane.js";
import { sizeText } from "./section.js";
import { layoutOf } from "./session.js";
import { onTape, systemOf } from "./units.js";
import { say } from "./words.js";

/** Length of the strip on one sheet, mm: fits A4 and Letter with their margins. */
export const SHEET = 220;
const STRIP = 44, MOST_STRIPS = 4, TOP = 6;

/**
 * The strips of a layout cut into sheets: marks in mm from the tip, as they are set on the tape.
 * @returns {{from: number, to: number, strips: {holes: string[], marks: {at: number, text: string, point: number}[]}[]}[]}
 */
export function sheetsOf(layout, system) {
  const strips = markColumns(layout).map(({ holes, marks }) => ({
    holes, marks: marks.map((mark, n) => {
      const set = onTape(mark, system);
      return { at: 1000 * set.metres, text: set.text, point: n + 1 };
    }),
  }));
  const sheets = [];
  for (let first = 0; first < strips.length; first += MOST_STRIPS) {
    const group = strips.slice(first, first + MOST_STRIPS), longest = Math.max(...group.flatMap((strip) => strip.marks.map((mark) => mark.at)));
    for (let from = 0; from <= longest; from += SHEET) {
      const within = (mark) => mark.at >= from && (mark.at < from + SHEET || (mark.at === from + SHEET && mark.at === longest));
      sheets.push({ from, to: from + SHEET, strips: group.map((strip) => ({ holes: strip.holes, marks: strip.marks.filter(within) })) });
    }
  }
  return sheets;
}

/** The layout of a point: of the session that is open there, else of the plan. */
async function layoutFor(context, job, point, found) {
  const drafts = (await context.store.sessions(job)).filter((one) => one.point === point && one.body.plane?.rule);
  drafts.sort((a, b) => (a.changed_at < b.changed_at ? 1 : -1));
  for (const draft of drafts) {
    try {
      return layoutOf(draft.body.plane);
    } catch {
      // not whole yet: look at an older one
    }
  }
  const plan = found.point;
  if (!plan.layout) return null;
  const duct = { shape: plan.shape, width: plan.diameter_m ?? plan.width_m, height: plan.height_m ?? undefined, wall: plan.layout.wall_m };
  return makeLayout(duct, plan.layout.rule, plan.layout.lines, plan.layout.points);
}

export async function view(context, job, point) {
  const found = context.find(job, point);
  const layout = found?.point ? await layoutFor(context, job, point, found) : null;
  if (!layout) return h("p", { class: "notice notice-warn" }, gettext("This point has no layout yet: enter the duct as found first."));
  const system = systemOf(context.person?.units), sheets = sheetsOf(layout, system);
  const name = `${found.job.number} · ${found.system.tag} · ${found.point.tag}`;
  return h("div", { class: "marks-page" },
    h("div", { class: "marks-how" },
      h("p", {}, say(gettext("Section %(size)s. Print at 100 %, without fitting to the page, and measure the check lines before you trust the marks."), { size: sizeText(layout.duct, system) })),
      h("p", {}, ngettext("One sheet.", "%(count)s sheets: lay them end to end at the dashed lines.", sheets.length).replace("%(count)s", sheets.length)),
      h("button", { type: "button", class: "button", onclick: () => print() }, gettext("Print"))),
    h("div", { class: "marks-tables" }, holesTable(layout, system), marksTable(layout, system)),
    sheets.map((sheet, n) => sheetView(sheet, say(gettext("%(name)s, sheet %(n)s of %(count)s"), { name, n: n + 1, count: sheets.length }))));
}

export function title(context, job, point) {
  return say(gettext("Marks for the probe at %(point)s"), { point: context.find(job, point)?.point?.tag ?? "" });
}

function sheetView(sheet, name) {
  return h("section", { class: "marks-sheet" }, h("h2", {}, name), checkLines(), strips(sheet));
}

/** Lines of known length: a printer that scales is found out by a tape. */
function checkLines() {
  const line = (length, words) => svg("svg", { class: "true-size", width: `${length + 2}mm`, height: "9mm", viewBox: `0 0 ${length + 2} 9`, role: "img", "aria-label": words },
    svg("path", { class: "mark-line", d: `M1 4 v4 M1 6 h${length} M${1 + length} 4 v4` }),
    svg("text", { class: "mark-text", x: 3, y: 4.5 }, words));
  return h("div", { class: "check-lines" }, line(100, gettext("This line is 100 mm long")), line(101.6, gettext("This line is 4 in long")));
}

const APART = 4;

/** Where a mark's words stand, mm: beside it, or below the words before it where marks lie close together. */
function labelAt(marks, index, down) {
  let lowest = -Infinity;
  for (const mark of marks.slice(0, index + 1)) lowest = Math.max(down(mark.at) + 1.2, lowest + APART);
  return lowest;
}

function strips({ from, to, strips: columns }) {
  const width = STRIP * columns.length, height = to - from + 2 * TOP;
  const down = (at) => TOP + at - from;
  const words = (x, y, text, kind = "mark-text") => svg("text", { class: kind, x, y }, text);
  return svg("svg", {
    class: "true-size", width: `${width}mm`, height: `${height}mm`, viewBox: `0 0 ${width} ${height}`, role: "img",
    "aria-label": columns.map((column) => `${column.holes.join(", ")}: ${column.marks.map((mark) => mark.text).join(", ")}`).join("; "),
  }, columns.map((column, n) => {
    const x = n * STRIP + 8;
    return svg("g", {},
      svg("path", { class: "mark-line", d: `M${x} ${down(from)} V${down(to)}` }),
      words(x + 2, TOP - 2, say(gettext("Hole %(holes)s"), { holes: column.holes.join(", ") }), "mark-text mark-strong"),
      from === 0 ? [svg("path", { class: "mark-line", d: `M${x - 6} ${TOP} h22` }), words(x + 12, TOP + 4, gettext("tip"))]
        : svg("path", { class: "mark-cut", d: `M${x - 6} ${TOP} h34` }),
      column.marks.map((mark, n) => [
        svg("path", { class: "mark-line", d: `M${x - 6} ${down(mark.at)} h14` }),
        words(x + 9.5, labelAt(column.marks, n, down), `${column.holes[0]}${mark.point}  ${mark.text}`),
      ]),
      svg("path", { class: "mark-cut", d: `M${x - 6} ${down(to)} h34` }));
  }));
}

