/** Ids and moments as the service wants them. */

/** A UUID of version 7 (RFC 9562): sorted by the moment it was made. */
export function uuid7(now = Date.now()) {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  for (let place = 0; place < 6; place += 1) bytes[place] = Math.floor(now / 2 ** (8 * (5 - place))) % 256;
  bytes[6] = 0x70 | (bytes[6] & 0x0f);
  bytes[8] = 0x80 | (bytes[8] & 0x3f);
  const text = Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
  return [text.slice(0, 8), text.slice(8, 12), text.slice(12, 16), text.slice(16, 20), text.slice(20)].join("-");
}

/** A moment with the tablet's offset and milliseconds, e.g. 2026-03-02T09:38:00.250+01:00. */
export function stamp(date) {
  const minutes = -date.getTimezoneOffset();
  const local = new Date(date.getTime() + minutes * 60_000).toISOString().slice(0, 23);
  const size = Math.abs(minutes);
  const two = (number) => String(number).padStart(2, "0");
  return `${local}${minutes < 0 ? "-" : "+"}${two(Math.floor(size / 60))}:${two(size % 60)}`;
}

/** A moment in short for people: the day when it is not today, and the time of the tablet. */
export function clock(text, now = new Date()) {
  const local = stamp(new Date(text));
  const time = local.slice(11, 16);
  return local.slice(0, 10) === stamp(now).slice(0, 10) ? time : `${local.slice(0, 10)} ${time}`;
}
