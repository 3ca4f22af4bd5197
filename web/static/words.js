// Numbers and times in words.

export function duration(seconds) {
  const whole = Math.max(0, Math.trunc(seconds));
  if (whole < 60) return `${whole} s`;
  const minutes = Math.trunc(whole / 60) % 60;
  const hours = Math.trunc(whole / 3600);
  return hours ? `${hours} h ${String(minutes).padStart(2, "0")} min` : `${minutes} min`;
}

// "1:05" for the time axis.
export function clock(seconds) {
  const minutes = Math.round(seconds / 60);
  return `${Math.trunc(minutes / 60)}:${String(minutes % 60).padStart(2, "0")}`;
}

export function amount(value, sigma, unit) {
  const digits = unit === "mm" ? 2 : 1;
  const shown = value.toFixed(digits).replace(/^-(0\.?0*)$/, "$1").replace("-", "−");
  return `${shown}${sigma === null ? "" : ` ± ${sigma.toFixed(digits)}`} ${unit}`.trim();
}

// Date and time of day in the viewer's zone.
export function momentOf(utcSeconds, withSeconds = false) {
  return new Date(utcSeconds * 1000).toLocaleString([], {
    year: "numeric", month: "short", day: "numeric", hour: "2-digit", minute: "2-digit",
    second: withSeconds ? "2-digit" : undefined,
  });
}

export function timeOfDay(utcSeconds) {
  return new Date(utcSeconds * 1000).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
}
