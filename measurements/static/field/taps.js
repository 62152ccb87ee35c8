/** Taps on what is drawn anew under the finger: the button that stands in its place takes them. */

const CONTROLS = "button, a[href]";
const STILL = 24;

const nameOf = (control) => (control.querySelector(".step-name") ?? control).textContent.trim();

/**
 * From now on a press whose button was replaced before it ended counts for the button of the same words at that
 * place. A browser itself gives such a tap to nobody.
 * @param {Document} page
 */
export function keepTaps(page = document) {
  let pressed = null;
  page.addEventListener("pointerdown", (event) => {
    const control = event.isPrimary && event.button === 0 ? event.target.closest?.(CONTROLS) : null;
    pressed = control && { control, name: nameOf(control), x: event.clientX, y: event.clientY };
  }, true);
  page.addEventListener("pointercancel", () => { pressed = null; }, true);
  page.addEventListener("pointerup", (event) => {
    const was = pressed;
    pressed = null;
    if (!was || was.control.isConnected || Math.hypot(event.clientX - was.x, event.clientY - was.y) > STILL) return;
    const now = page.elementFromPoint(event.clientX, event.clientY)?.closest(CONTROLS);
    if (now && !now.disabled && nameOf(now) === was.name) now.click();
  }, true);
}
