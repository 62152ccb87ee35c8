/** Stand-ins for the catalogue's functions, for when no catalogue was loaded: English stays as written. */

globalThis.gettext ??= (text) => text;
globalThis.ngettext ??= (one, many, count) => (count === 1 ? one : many);
globalThis.interpolate ??= (text, values) => text.replace(/%\((\w+)\)s/g, (_all, name) => String(values[name]));

/** A sentence with named places, e.g. say(gettext("%(count)s wait"), {count: 3}). */
export function say(text, values) {
  return interpolate(text, values, true);
}
