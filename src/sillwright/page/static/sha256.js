// SHA-256 (FIPS 180-4) of a file, for pages without a certificate: there browsers keep their own away.
"use strict";
const sillwrightSha256 = (() => {
  const primes = [];
  for (let n = 2; primes.length < 64; n += 1) if (primes.every((p) => n % p)) primes.push(n);
  // The first 32 bits of the fractional parts of the primes' square and cube roots (4.2.2 and 5.3.3).
  const fraction = (x) => ((x - Math.floor(x)) * 2 ** 32) | 0;
  const K = Int32Array.from(primes, (p) => fraction(Math.cbrt(p)));
  const START = primes.slice(0, 8).map((p) => fraction(Math.sqrt(p)));
  const turn = (x, n) => (x >>> n) | (x << (32 - n));
  const W = new Int32Array(64);

  const block = (state, bytes, at) => {
    for (let i = 0; i < 16; i += 1) {
      const j = at + 4 * i;
      W[i] = (bytes[j] << 24) | (bytes[j + 1] << 16) | (bytes[j + 2] << 8) | bytes[j + 3];
    }
    for (let i = 16; i < 64; i += 1) {
      const a = W[i - 15];
      const b = W[i - 2];
      W[i] = (W[i - 16] + W[i - 7] + (turn(a, 7) ^ turn(a, 18) ^ (a >>> 3)) + (turn(b, 17) ^ turn(b, 19) ^ (b >>> 10))) | 0;
    }
    let [a, b, c, d, e, f, g, h] = state;
    for (let i = 0; i < 64; i += 1) {
      const one = (h + (turn(e, 6) ^ turn(e, 11) ^ turn(e, 25)) + ((e & f) ^ (~e & g)) + K[i] + W[i]) | 0;
      const two = ((turn(a, 2) ^ turn(a, 13) ^ turn(a, 22)) + ((a & b) ^ (a & c) ^ (b & c))) | 0;
      h = g; g = f; f = e; e = (d + one) | 0; d = c; c = b; b = a; a = (one + two) | 0;
    }
    [a, b, c, d, e, f, g, h].forEach((value, i) => { state[i] = (state[i] + value) | 0; });
  };

  return async (file) => {
    const state = [...START];
    const step = 1 << 20; // a multiple of 64, so that only the last part has a rest
    let rest = new Uint8Array(0);
    for (let at = 0; at < file.size; at += step) {
      const bytes = new Uint8Array(await file.slice(at, at + step).arrayBuffer());
      const whole = bytes.length - (bytes.length % 64);
      for (let i = 0; i < whole; i += 64) block(state, bytes, i);
      rest = bytes.slice(whole);
    }
    const end = new Uint8Array(rest.length + 9 > 64 ? 128 : 64);
    end.set(rest);
    end[rest.length] = 0x80;
    const view = new DataView(end.buffer);
    view.setUint32(end.length - 8, Math.floor(file.size / 2 ** 29));
    view.setUint32(end.length - 4, (file.size * 8) >>> 0);
    for (let i = 0; i < end.length; i += 64) block(state, end, i);
    const digest = new Uint8Array(32);
    state.forEach((value, i) => new DataView(digest.buffer).setInt32(4 * i, value));
    return btoa(String.fromCharCode(...digest));
  };
})();
