/** Sweeps: the time of a line, its beats, and series that are pasted or read from a file. */

import { parse } from "./units.js";
import { say } from "./words.js";

export const MOST_SAMPLES = 20_000;
/** How far one step of a series may be from the usual one (as a fraction) and still count as even. */
const UNEVEN = 0.1;
export const USUAL = { settle: 5, duration: 30, beat: 1 };

/**
 * Where a sweep stands after so many seconds.
 * @param {{settle: number, duration: number, beat: number}} plan seconds
 * @returns {{phase: "settle"|"sweep"|"done", left: number, share: number, beat: number}} share: of the line
 */
export function phaseAt(elapsed, { settle, duration, beat }) {
  if (elapsed < settle) {
    return { phase: "settle", left: settle - elapsed, share: 0, beat: Math.floor(elapsed / beat) };
  }
  const swept = elapsed - settle;
  if (swept >= duration) return { phase: "done", left: 0, share: 1, beat: -1 };
  return { phase: "sweep", left: duration - swept, share: swept / duration, beat: Math.floor(swept / beat) };
}

/** A series that cannot be read; the message names the line. */
export class Unreadable extends Error {}

/**
 * A series of samples: one a line, or time and value a line. Digits stay as they are written.
 * Between the two stands a semicolon, a tab, blanks or a comma; with one of the first three a comma is a
 * decimal point. A first line of words is a heading. Times are seconds, or hours, minutes and seconds. "12,5"
 * alone may be one figure or two: without a point or a heading that tells, it is not guessed.
 * @param {string} text
 * @returns {{samples: string[], duration: number|null}} duration in s, null where no time is given
 */
export function parseSeries(text) {
  const lines = text.replace(/^\ufeff/, "").split(/\r\n|\r|\n/).map((line, n) => ({ line: line.trim(), n: n + 1 }));
  let rows = lines.filter(({ line }) => line).map(({ line, n }) => ({ line, n, parts: partsOf(line) }));
  const heading = rows.length && rows[0].parts.every((part) => /^[^\d]*[a-z][^\d]*$/i.test(part));
  if (heading) rows = rows.slice(1);
  const doubtful = rows.every(({ parts, line }) => parts.length === 2 && /^-?\d+,\d+$/.test(line));
  if (rows.length && doubtful && !heading) {
    throw new Unreadable(say(gettext("Line %(n)s: is “%(text)s” one figure, or a time and a value? Write the decimal point as a point, or a semicolon between the two."), { n: rows[0].n, text: rows[0].line }));
  }
  if (!rows.length) throw new Unreadable(gettext("There is no sample here."));
  if (rows.length > MOST_SAMPLES) {
    throw new Unreadable(say(gettext("These are %(count)s samples; a line may have %(most)s at most."), { count: rows.length, most: MOST_SAMPLES }));
  }
  const columns = rows[0].parts.length;
  for (const { parts, n } of rows) {
    if (parts.length !== columns || columns > 2) {
      throw new Unreadable(say(gettext("Line %(n)s has %(count)s figures; every line has one (the value), or two (time and value)."), { n, count: parts.length }));
    }
  }
  const samples = rows.map(({ parts, n }) => sampleOf(parts.at(-1), n));
  if (columns === 1) return { samples, duration: null };
  return { samples, duration: durationOf(rows.map(({ parts, n }) => ({ n, at: secondsOf(parts[0], n) }))) };
}

function partsOf(line) {
  const mark = [";", "\t"].find((one) => line.includes(one));
  if (mark) return line.split(mark).map((part) => part.trim().replace(",", "."));
  const blank = line.split(/\s+/);
  if (blank.length > 1 && !line.includes(", ")) return blank.map((part) => part.replace(",", "."));
  return line.split(",").map((part) => part.trim());
}

function sampleOf(text, n) {
  if (parse(text).fault) {
    throw new Unreadable(say(gettext("Line %(n)s: “%(text)s” is not a number."), { n, text: text.slice(0, 30) }));
  }
  return text;
}

function secondsOf(text, n) {
  const clock = /^(?:(\d{1,2}):)?(\d{1,2}):(\d{1,2}(?:\.\d+)?)$/.exec(text.split(/[T ]/).at(-1));
  if (clock) return Number(clock[1] ?? 0) * 3600 + Number(clock[2]) * 60 + Number(clock[3]);
  if (parse(text).fault) {
    throw new Unreadable(say(gettext("Line %(n)s: “%(text)s” is not a time in seconds or like 12:30:05."), { n, text: text.slice(0, 30) }));
  }
  return Number(text);
}

/** The service takes samples as evenly spaced, the first after one step: so the steps must be even. */
function durationOf(times) {
  if (times.length < 2) throw new Unreadable(gettext("One sample with a time is no series."));
  const steps = times.slice(1).map(({ n, at }, i) => ({ n, step: at - times[i].at }));
  const falling = steps.find(({ step }) => !(step > 0));
  if (falling) throw new Unreadable(say(gettext("Line %(n)s: the time does not rise."), { n: falling.n }));
  const usual = [...steps].sort((a, b) => a.step - b.step)[Math.floor(steps.length / 2)].step;
  const odd = steps.find(({ step }) => Math.abs(step - usual) > UNEVEN * usual);
  if (odd) {
    const said = { n: odd.n, step: rounded(odd.step), usual: rounded(usual) };
    throw new Unreadable(say(gettext("Line %(n)s comes %(step)s s after the one before, most others %(usual)s s. Samples are even in time: take the part without a gap."), said));
  }
  const mean = (times.at(-1).at - times[0].at) / (times.length - 1);
  return mean * times.length;
}

function rounded(seconds) {
  return String(Number(seconds.toFixed(2)));
}

/** A sweep as it is posted, from samples or from the mean that the instrument showed. */
export function sweepOf({ run, line, quantity, startedAt, seconds, unit, mean, samples }) {
  const duration = { value: String(Number(seconds.toFixed(2))), unit: "s" };
  const base = { run, line, quantity, started_at: startedAt, duration, unit };
  return samples ? { ...base, samples } : { ...base, mean: { value: mean, unit } };
}

/** How far the durations of a run's sweeps differ: the longest over the shortest; 1 for fewer than two. */
export function durationRatio(sweeps) {
  const found = sweeps.map((sweep) => Number(sweep.duration.value));
  return found.length < 2 ? 1 : Math.max(...found) / Math.min(...found);
}
