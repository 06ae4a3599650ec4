"use strict";
// Packed columns back into figures (see packing.py), tables, and the lattice of the project CRS.

(function () {
  /** The byte stream of a packed column as whole numbers. */
  function whole(text, order, count) {
    const bytes = atob(text);
    const out = new Float64Array(count);
    let place = 0;
    let row = 0;
    function next() {
      let value = 0;
      let scale = 1;
      for (;;) {
        const byte = bytes.charCodeAt(place++);
        value += (byte & 127) * scale;
        if (byte < 128) return value;
        scale *= 128;
      }
    }
    while (row < count) {
      const value = next();
      if (value === 0) row += next();
      else out[row++] = value % 2 ? -(value + 1) / 2 : value / 2;
    }
    for (let times = 0; times < order; times++) {
      for (let i = 1; i < count; i++) out[i] += out[i - 1];
    }
    return out;
  }

  /** A column of figures: `raw` whole numbers (NaN where absent), `at(i)` the figure. */
  class Figures {
    constructor(packed, count) {
      this.places = packed.places;
      this.scale = Math.pow(10, packed.places);
      this.raw = whole(packed.data, packed.order, count);
      const absent = packed.absent || [];
      for (let i = 0; i < absent.length; i += 2) this.raw.fill(NaN, absent[i], absent[i + 1]);
    }
    at(i) {
      const value = this.raw[i];
      return Number.isNaN(value) ? null : value / this.scale;
    }
    /** All figures as an array, NaN where absent. */
    values() {
      const out = new Float64Array(this.raw.length);
      for (let i = 0; i < out.length; i++) out[i] = this.raw[i] / this.scale;
      return out;
    }
    text(i, places) {
      return Corridor.fixed(this.at(i), places === undefined ? this.places : places);
    }
  }

  /** A column of words. */
  class Words {
    constructor(packed, count) {
      this.words = packed.words;
      this.index = whole(packed.index, 1, count);
    }
    at(i) {
      return this.words[this.index[i]];
    }
    text(i) {
      const value = this.at(i);
      return value === null ? "" : value === true ? "yes" : value === false ? "no" : String(value);
    }
  }

  class Table {
    constructor(packed) {
      this.rows = packed.rows;
      this.columns = {};
      for (const [name, column] of Object.entries(packed.columns)) {
        this.columns[name] = column.words ? new Words(column, packed.rows) : new Figures(column, packed.rows);
      }
    }
    has(name) {
      return name in this.columns;
    }
    at(name, i) {
      return this.columns[name].at(i);
    }
    text(name, i, places) {
      return this.columns[name].text(i, places);
    }
  }

  /** Grid coordinates by cubic interpolation in a lattice of exact ones (see crs_grid.py). */
  class Lattice {
    constructor(packed) {
      Object.assign(this, packed);
      const count = packed.rows * packed.cols;
      this.easting = new Figures(packed.easting, count);
      this.northing = new Figures(packed.northing, count);
    }
    /** [easting, northing] in m, or null outside the lattice. */
    at(lat, lon) {
      const u = (lon - this.west) / this.step_lon;
      const v = (lat - this.south) / this.step_lat;
      if (!(u >= 0 && v >= 0 && u <= this.cols - 1 && v <= this.rows - 1)) return null;
      const i = Math.min(Math.max(Math.floor(u) - 1, 0), this.cols - 4);
      const j = Math.min(Math.max(Math.floor(v) - 1, 0), this.rows - 4);
      const across = cubic(u - i);
      const up = cubic(v - j);
      let east = 0;
      let north = 0;
      for (let b = 0; b < 4; b++) {
        for (let a = 0; a < 4; a++) {
          const weight = across[a] * up[b];
          const place = (j + b) * this.cols + i + a;
          east += weight * this.easting.raw[place];
          north += weight * this.northing.raw[place];
        }
      }
      return [east / 1000, north / 1000];
    }
  }

  /** Lagrange weights of four equally spaced figures. */
  function cubic(t) {
    const a = t - 1;
    const b = t - 2;
    const c = t - 3;
    return [(-a * b * c) / 6, (t * b * c) / 2, (-t * a * c) / 2, (t * a * b) / 6];
  }

  Corridor.Figures = Figures;
  Corridor.Table = Table;
  Corridor.Lattice = Lattice;

  /** A figure with fixed decimals and thousands apart, "" where absent. */
  Corridor.fixed = function (value, places) {
    if (value === null || value === undefined || Number.isNaN(value)) return "";
    const text = Math.abs(value).toFixed(places);
    const sign = value < 0 && Number(text) !== 0 ? "\u2212" : "";
    const [units, rest] = text.split(".");
    const grouped = units.replace(/\B(?=(\d{3})+$)/g, "\u202f");
    return sign + grouped + (rest ? "." + rest : "");
  };

  Corridor.kp = (value) => "KP " + Corridor.fixed(value, 3);

  Corridor.degrees = function (value, positive, negative, places = 6) {
    return Math.abs(value).toFixed(places) + "\u00b0 " + (value < 0 ? negative : positive);
  };

  /** Longitude as people write it, whatever turn the map is on. */
  Corridor.longitude = (lon) => ((((lon + 180) % 360) + 360) % 360) - 180;
})();
