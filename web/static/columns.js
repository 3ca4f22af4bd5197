// Thins a series to what a screen can show: for each pixel column the least and greatest value, the
// outermost reach of the error, and the mean. A column without any seen value breaks the curve.

// `x(i)` is the place of point i in px, rising; `values` has a number, or null or nothing where
// nothing was seen. Returns [{x, low, high, least, most, mean}|null], null where it breaks.
export function columns(values, sigmas, count, x, widest = Infinity) {
  const out = [];
  let at = null;
  let sum = 0;
  let seen = 0;
  const close = () => {
    if (at) at.mean = sum / seen;
  };
  for (let i = 0; i < count; i++) {
    const value = values[i];
    const place = x(i);
    if (value === null || value === undefined) {
      // Points that lie closer than a pixel don't break the curve, unless none of a pixel is seen.
      if (at && place - at.x >= 1) {
        close();
        out.push(null);
        at = null;
      }
      continue;
    }
    const error = Math.min(sigmas?.[i] ?? 0, widest);
    if (!at || place - at.x >= 1) {
      close();
      at = { x: place, low: Infinity, high: -Infinity, least: Infinity, most: -Infinity, mean: 0 };
      out.push(at);
      sum = 0;
      seen = 0;
    }
    at.least = Math.min(at.least, value);
    at.most = Math.max(at.most, value);
    at.low = Math.min(at.low, value - error);
    at.high = Math.max(at.high, value + error);
    sum += value;
    seen += 1;
  }
  close();
  return out;
}

// Calls `each` for every unbroken run of columns.
export function unbroken(parts, each) {
  let run = [];
  for (const part of [...parts, null]) {
    if (part) run.push(part);
    else if (run.length) {
      each(run);
      run = [];
    }
  }
}
