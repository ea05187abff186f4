// What people read instead of the SI units inside. The factors are those of the daemon's units.

const WATTS_PER_HP = 745.6998715822702;
const NM_PER_LBF_FT = 1.3558179483314004;

const TRADE = {
  "kW": { unit: "hp", of: (kw) => (kw * 1000) / WATTS_PER_HP },
  "N·m": { unit: "lb·ft", of: (nm) => nm / NM_PER_LBF_FT },
  "°C": { unit: "°F", of: (celsius) => celsius * 1.8 + 32 },
};
const KEPT = "leverarm-units";

export const system = () => (localStorage.getItem(KEPT) === "trade" ? "trade" : "si");
export const useSystem = (name) => localStorage.setItem(KEPT, name);

export const unitOf = (unit) => (system() === "trade" && TRADE[unit] ? TRADE[unit].unit : unit);

export function inUnits(value, unit) {
  if (value === null || value === undefined || system() === "si" || !TRADE[unit]) return value;
  return TRADE[unit].of(value);
}

// The words of an element that name a unit are written anew when the choice changes.
export function nameUnits() {
  for (const element of document.querySelectorAll("[data-unit]")) element.textContent = unitOf(element.dataset.unit);
}
