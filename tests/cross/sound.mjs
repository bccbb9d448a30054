// Loudness and offset of decoded sounds, apart from the program's own code.

// ITU-R BS.1770-5 weighting at any rate: its analogue prototypes by the bilinear transform (the
// prototypes' frequencies, gain and quality as derived from the 48 kHz coefficients of the
// recommendation, table 1 and 2; the figures are those that free meters share).
const weighting = (rate) => {
  const shelf = () => {
    const k = Math.tan(Math.PI * 1681.974450955533 / rate);
    const q = 0.7071752369554196;
    const vh = 10 ** (3.999843853973347 / 20);
    const vb = vh ** 0.4996667741545416;
    const a0 = 1 + k / q + k * k;
    return { b: [(vh + vb * k / q + k * k) / a0, 2 * (k * k - vh) / a0, (vh - vb * k / q + k * k) / a0], a: [2 * (k * k - 1) / a0, (1 - k / q + k * k) / a0] };
  };
  const high = () => {
    const k = Math.tan(Math.PI * 38.13547087602444 / rate);
    const q = 0.5003270373238773;
    const a0 = 1 + k / q + k * k;
    return { b: [1, -2, 1], a: [2 * (k * k - 1) / a0, (1 - k / q + k * k) / a0] };
  };
  return [shelf(), high()];
};

// Samples through second-order sections in series, a0 = 1.
const through = (sections, samples) => sections.reduce((sound, { b, a }) => {
  let [x1, x2, y1, y2] = [0, 0, 0, 0];
  return sound.map((x) => {
    const y = b[0] * x + b[1] * x1 + b[2] * x2 - a[0] * y1 - a[1] * y2;
    [x2, x1, y2, y1] = [x1, x, y1, y];
    return y;
  });
}, samples);

// Integrated loudness in LUFS of channels at equal weight (mono, stereo).
export const loudness = (channels, rate) => {
  const squares = channels.map((samples) => {
    const out = through(weighting(rate), Float64Array.from(samples));
    return out.map((y) => y * y);
  });
  const [size, step] = [Math.round(0.4 * rate), Math.round(0.1 * rate)];
  const powers = [];
  for (let at = 0; at + size <= channels[0].length; at += step) {
    powers.push(squares.reduce((sum, one) => sum + one.subarray(at, at + size).reduce((s, x) => s + x, 0) / size, 0));
  }
  const level = (power) => -0.691 + 10 * Math.log10(power);
  const mean = (list) => list.reduce((sum, x) => sum + x, 0) / list.length;
  const loud = powers.filter((power) => level(power) > -70);
  const gate = level(mean(loud)) - 10;
  return level(mean(loud.filter((power) => level(power) > gate)));
};

// Through a Butterworth low-pass (bilinear transform of the analogue one).
export const lowPassed = (samples, hz, order, rate) => {
  const k = Math.tan(Math.PI * hz / rate);
  const sections = [];
  for (let i = 0; i < Math.floor(order / 2); i += 1) {
    const damping = 2 * Math.sin((2 * i + 1) * Math.PI / (2 * order));
    const a0 = 1 + damping * k + k * k;
    sections.push({ b: [k * k / a0, 2 * k * k / a0, k * k / a0], a: [2 * (k * k - 1) / a0, (1 - damping * k + k * k) / a0] });
  }
  if (order % 2) sections.push({ b: [k / (1 + k), k / (1 + k), 0], a: [(k - 1) / (1 + k), 0] });
  return through(sections, samples);
};

const fft = (re, im) => {
  const n = re.length;
  for (let i = 1, j = 0; i < n; i += 1) {
    let bit = n >> 1;
    for (; j & bit; bit >>= 1) j ^= bit;
    j ^= bit;
    if (i < j) { [re[i], re[j]] = [re[j], re[i]]; [im[i], im[j]] = [im[j], im[i]]; }
  }
  for (let half = 1; half < n; half *= 2) {
    const turn = -Math.PI / half;
    for (let from = 0; from < n; from += 2 * half) {
      for (let k = 0; k < half; k += 1) {
        const [c, s] = [Math.cos(turn * k), Math.sin(turn * k)];
        const [a, b] = [from + k, from + k + half];
        const [x, y] = [re[b] * c - im[b] * s, re[b] * s + im[b] * c];
        [re[b], im[b], re[a], im[a]] = [re[a] - x, im[a] - y, re[a] + x, im[a] + y];
      }
    }
  }
};

// How many samples the second is later than the first: the place of the largest value of their
// cross-correlation, every frequency weighed alike (so that a filter does not move it).
export const offset = (a, b) => {
  const n = 2 ** Math.ceil(Math.log2(2 * a.length));
  const spectrum = (x) => {
    const [re, im] = [new Float64Array(n), new Float64Array(n)];
    re.set(x);
    fft(re, im);
    return [re, im];
  };
  const [[ar, ai], [br, bi]] = [spectrum(a), spectrum(b)];
  // Conjugated, so that the forward transform turns it back.
  const [re, im] = [new Float64Array(n), new Float64Array(n)];
  for (let i = 0; i < n; i += 1) {
    const x = br[i] * ar[i] + bi[i] * ai[i];
    const y = bi[i] * ar[i] - br[i] * ai[i];
    const size = Math.hypot(x, y) || 1;
    [re[i], im[i]] = [x / size, -y / size];
  }
  fft(re, im);
  let best = 0;
  for (let i = 0; i < n; i += 1) if (Math.abs(re[i]) > Math.abs(re[best])) best = i;
  return best > n / 2 ? best - n : best;
};
