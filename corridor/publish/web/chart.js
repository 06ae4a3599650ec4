"use strict";
// Drawing aids of the profile: extremes of long columns, axis steps, text that fits.

(function () {
  const FACTOR = 8;

  /** Least and greatest figure of any stretch of a long column, from levels of eight, sixty-four, ... rows. */
  class Extremes {
    constructor(values) {
      this.levels = [{ low: values, high: values }];
      while (this.levels[this.levels.length - 1].low.length > 64) {
        const last = this.levels[this.levels.length - 1];
        this.levels.push({ low: folded(last.low, false), high: folded(last.high, true) });
      }
    }

    /** [low, high] of rows from .. to (to not included); [Infinity, -Infinity] where all are absent. */
    over(from, to) {
      let low = Infinity;
      let high = -Infinity;
      for (let level = 0; from < to; level++) {
        const lows = this.levels[level].low;
        const highs = this.levels[level].high;
        const last = level + 1 === this.levels.length;
        while (from < to && (last || from % FACTOR !== 0)) {
          if (lows[from] < low) low = lows[from];
          if (highs[from] > high) high = highs[from];
          from++;
        }
        while (from < to && to % FACTOR !== 0) {
          to--;
          if (lows[to] < low) low = lows[to];
          if (highs[to] > high) high = highs[to];
        }
        from /= FACTOR;
        to /= FACTOR;
      }
      return [low, high];
    }
  }

  /** Greatest, or least, of every eight figures; a comparison with NaN is false, so that holes do not count. */
  function folded(values, greatest) {
    const out = new Float32Array(Math.ceil(values.length / FACTOR)).fill(greatest ? -Infinity : Infinity);
    for (let i = 0; i < values.length; i++) {
      const block = (i / FACTOR) | 0;
      if (greatest ? values[i] > out[block] : values[i] < out[block]) out[block] = values[i];
    }
    return out;
  }

  /** A step of 1, 2 or 5 times a power of ten that gives at most `most` marks over `span`. */
  Corridor.step = function (span, most) {
    const rough = Math.max(span, 1e-9) / Math.max(most, 1);
    const power = Math.pow(10, Math.floor(Math.log10(rough)));
    return power * [1, 2, 5, 10].find((n) => n * power >= rough * 0.999999);
  };

  Corridor.placesOf = (step) => Math.max(0, Math.min(6, -Math.floor(Math.log10(step) + 1e-9)));

  /** The colours of the current theme that the chart needs. */
  Corridor.ink = function () {
    const names = ["paper", "ink", "soft", "line", "seabed", "seabed-edge", "water", "pipe", "gap"];
    return Object.fromEntries(names.map((name) => [name.replace("-", "_"), Corridor.colour(name)]));
  };

  Corridor.Extremes = Extremes;
})();
