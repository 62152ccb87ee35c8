/** Figures as people read them on the tablet. */

const THIN = " ";

/** A flow in m³/s, SI, as L/s, m³/s or cfm; with ± when U is given. No more digits than U allows. */
export function flowText(flow, units, uncertainty = null) {
  const [factor, unit] = units === "ip" ? [2118.880003, "cfm"] : [1000, "L/s"];
  const places = uncertainty ? Math.max(0, 1 - Math.floor(Math.log10(uncertainty * factor))) : Math.abs(flow * factor) < 100 ? 1 : 0;
  const text = (value) => (value * factor).toFixed(Math.min(places, 3)).replace("-", "−");
  return `${text(flow)}${uncertainty ? `${THIN}±${THIN}${text(uncertainty)}` : ""}${THIN}${unit}`;
}
