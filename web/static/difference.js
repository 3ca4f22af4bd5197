// What differs between two pictures of one size, with sign, after a common change of light is taken
// out. Pure: pixels in, pixels out.

export const BRIGHTER = [255, 190, 80];
export const DARKER = [96, 176, 255];

const LEAST_FULL = 14; // grey levels of 255 that are drawn in full colour at least
const BINS = 512;

// Brightness of RGBA pixels by Rec. ITU-R BT.709's weights, 0 to 255.
export function brightness(rgba) {
  const grey = new Float32Array(rgba.length / 4);
  for (let i = 0, k = 0; k < grey.length; i += 4, k++) {
    grey[k] = 0.2126 * rgba[i] + 0.7152 * rgba[i + 1] + 0.0722 * rgba[i + 2];
  }
  return grey;
}

function medianOf(histogram, count) {
  let seen = 0;
  for (let bin = 0; bin < histogram.length; bin++) {
    seen += histogram[bin];
    if (seen * 2 >= count) return bin;
  }
  return 0;
}

// By how much the whole picture became brighter: the median ratio of pixels that are neither black
// nor blown out.
export function gainOf(then, now) {
  const histogram = new Uint32Array(BINS);
  let count = 0;
  for (let k = 0; k < then.length; k++) {
    if (then[k] < 10 || now[k] < 10 || then[k] > 245 || now[k] > 245) continue;
    const turn = Math.log(now[k] / then[k]); // within ±1.5 for any light that can be taken out
    const bin = Math.round((turn / 1.5 + 1) * (BINS / 2));
    if (bin < 0 || bin >= BINS) continue;
    histogram[bin] += 1;
    count += 1;
  }
  if (count < then.length / 50) return 1;
  return Math.exp((medianOf(histogram, count) / (BINS / 2) - 1) * 1.5);
}

// Two pictures as RGBA arrays of one length -> {pixels: RGBA, gain, full, share}. `full` is the
// difference in grey levels that has full colour, `share` that of coloured pixels, 0 to 1.
export function difference(thenPixels, nowPixels) {
  const then = brightness(thenPixels);
  const now = brightness(nowPixels);
  const gain = gainOf(then, now);
  const apart = new Float32Array(now.length);
  const sizes = new Uint32Array(BINS);
  const light = new Uint32Array(256);
  for (let k = 0; k < now.length; k++) {
    apart[k] = now[k] - Math.min(255, gain * then[k]);
    sizes[Math.min(BINS - 1, Math.round(Math.abs(apart[k]) * 4))] += 1;
    light[Math.round(now[k])] += 1;
  }
  // The median absolute difference over 0.6745 is the standard deviation of normal noise.
  const noise = Math.max(0.5, medianOf(sizes, now.length) / 4 / 0.6745);
  const floor = 3 * noise;
  const full = Math.max(LEAST_FULL, 8 * noise);
  // The picture itself stays below in dim grey, stretched so that a dark one can be made out.
  let top = 255;
  for (let above = 0; top > 20 && above < now.length / 50; top--) above += light[top];
  const stretch = 90 / top;
  const pixels = new Uint8ClampedArray(nowPixels.length);
  let coloured = 0;
  for (let k = 0, i = 0; k < now.length; k++, i += 4) {
    const grey = Math.min(90, 12 + now[k] * stretch * 0.87);
    const amount = Math.min(1, Math.max(0, (Math.abs(apart[k]) - floor) / (full - floor)));
    const colour = apart[k] > 0 ? BRIGHTER : DARKER;
    if (amount > 0.15) coloured += 1;
    for (let c = 0; c < 3; c++) pixels[i + c] = grey + (colour[c] - grey) * amount;
    pixels[i + 3] = 255;
  }
  return { pixels, gain, full, share: coloured / now.length };
}
