"use strict";
// An alignment in the browser: position at a KP, KP at a position, extent of a stretch.

(function () {
  class Line {
    constructor(packed, near) {
      const count = packed.count;
      this.name = packed.name;
      this.assessed = packed.assessed;
      this.summary = packed.summary || null; // of a further line; the page's own summary is the first line's
      this.limits = packed.limits;
      this.discouraged = packed.discouraged;
      this.kp = figures(packed.kp_km, count);
      this.lat = figures(packed.lat, count);
      this.lon = figures(packed.lon, count).map(near);
      this.north = this.lat.map(mercator);
      for (const name of ["points", "chainage", "profile", "crossings", "spans"]) {
        this[name] = packed[name] ? new Corridor.Table(packed[name]) : null;
      }
      this.length = this.kp[count - 1];
      this.spanRows = this.spans ? governing(this.spans) : [];
    }

    latLngs() {
      return Array.from(this.lat, (lat, i) => [lat, this.lon[i]]);
    }

    /** [lat, lon] at a KP. */
    at(kp) {
      const i = Math.min(Math.max(Corridor.upper(this.kp, kp), 1), this.kp.length - 1);
      const span = this.kp[i] - this.kp[i - 1];
      const t = span > 0 ? Math.min(Math.max((kp - this.kp[i - 1]) / span, 0), 1) : 0;
      return [
        this.lat[i - 1] + t * (this.lat[i] - this.lat[i - 1]),
        this.lon[i - 1] + t * (this.lon[i] - this.lon[i - 1]),
      ];
    }

    /** The stretch between two KPs as [lat, lon] pairs. */
    between(from, to) {
      const first = Corridor.upper(this.kp, from);
      const last = Corridor.upper(this.kp, to);
      const inner = [];
      for (let i = first; i < last; i++) inner.push([this.lat[i], this.lon[i]]);
      return [this.at(from), ...inner, this.at(to)];
    }

    /** Nearest point of the line: {kp, lat, lon, side: -1 left or 1 right}. Nearest on the map is nearest on the ground: the map keeps angles. */
    nearest(lat, lon) {
      const y = mercator(lat);
      let best = Infinity;
      let found = null;
      for (let i = 1; i < this.kp.length; i++) {
        const ax = this.lon[i - 1];
        const ay = this.north[i - 1];
        const dx = this.lon[i] - ax;
        const dy = this.north[i] - ay;
        const size = dx * dx + dy * dy;
        const t = size > 0 ? Math.min(Math.max(((lon - ax) * dx + (y - ay) * dy) / size, 0), 1) : 0;
        const ox = lon - ax - t * dx;
        const oy = y - ay - t * dy;
        const far = ox * ox + oy * oy;
        if (far < best) {
          best = far;
          found = [i, t, dx * oy - dy * ox > 0 ? -1 : 1];
        }
      }
      const [i, t, side] = found;
      const kp = this.kp[i - 1] + t * (this.kp[i] - this.kp[i - 1]);
      const place = this.at(kp);
      return { kp, lat: place[0], lon: place[1], side };
    }

    /** First and last KP inside a window of the map, or null. */
    within(bounds) {
      const [south, west, north, east] = bounds;
      let from = Infinity;
      let to = -Infinity;
      for (let i = 1; i < this.kp.length; i++) {
        const part = clip(
          [this.lon[i - 1], this.lat[i - 1], this.lon[i], this.lat[i]],
          [west, south, east, north]
        );
        if (!part) continue;
        const span = this.kp[i] - this.kp[i - 1];
        from = Math.min(from, this.kp[i - 1] + part[0] * span);
        to = Math.max(to, this.kp[i - 1] + part[1] * span);
      }
      return from < to ? [from, to] : null;
    }
  }

  /** Shares of a segment inside a box (Liang and Barsky 1984). */
  function clip([x1, y1, x2, y2], [west, south, east, north]) {
    let from = 0;
    let to = 1;
    for (const [p, q] of [
      [x1 - x2, x1 - west],
      [x2 - x1, east - x1],
      [y1 - y2, y1 - south],
      [y2 - y1, north - y1],
    ]) {
      if (p === 0) {
        if (q < 0) return null;
      } else if (p < 0) from = Math.max(from, q / p);
      else to = Math.min(to, q / p);
    }
    return from <= to ? [from, to] : null;
  }

  /** Rows of the spans whose load case governs, in order of KP. */
  function governing(spans) {
    const rows = [];
    for (let i = 0; i < spans.rows; i++) if (spans.at("governs", i)) rows.push(i);
    return rows.sort((a, b) => spans.at("kp_start_km", a) - spans.at("kp_start_km", b));
  }

  function figures(packed, count) {
    return new Corridor.Figures(packed, count).values();
  }

  /** Mercator northing in degrees of the equator. */
  function mercator(lat) {
    return (Math.atanh(Math.sin((lat * Math.PI) / 180)) * 180) / Math.PI;
  }

  /** First index whose value is greater than `value`, in a rising array. */
  Corridor.upper = function (array, value) {
    let low = 0;
    let high = array.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (array[middle] <= value) low = middle + 1;
      else high = middle;
    }
    return low;
  };

  /** Classes of verdicts, the gravest last. */
  Corridor.GRAVITY = ["good", "unknown", "look", "bad"];

  Corridor.Line = Line;
})();
