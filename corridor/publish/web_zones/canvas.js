"use strict";
// All shapes on one canvas: tens of thousands of outlines stay light to move about in.

(function () {
  const SMALLEST = 3; // pixels: what is smaller is drawn as a dot of this size

  /** Shapes in web mercator, 0 to 1 across the world, as flat arrays; `near` decides the turn of the globe. */
  Corridor.Shapes = class {
    constructor(packed, near) {
      const count = packed.chains.reduce((sum, parts) => sum + parts.reduce((n, part) => n + part[1], 0), 0);
      const lat = new Corridor.Figures(packed.lat, count);
      const lon = new Corridor.Figures(packed.lon, count);
      this.x = new Float64Array(count);
      this.y = new Float64Array(count);
      for (let i = 0; i < count; i++) {
        const sine = Math.sin((lat.at(i) * Math.PI) / 180);
        this.x[i] = lon.at(i) / 360 + 0.5;
        this.y[i] = 0.5 - Math.log((1 + sine) / (1 - sine)) / (4 * Math.PI);
      }
      const turn = near === undefined || !count ? 0 : Math.round(near - this.x[0]);
      for (let i = 0; turn && i < count; i++) this.x[i] += turn;
      this.chains = packed.chains;
      this.first = [];
      this.box = new Float64Array(4 * packed.chains.length);
      let place = 0;
      packed.chains.forEach((parts, n) => {
        this.first.push(place);
        let [west, north, east, south] = [Infinity, Infinity, -Infinity, -Infinity];
        for (const part of parts) {
          for (let i = 0; i < part[1]; i++, place++) {
            west = Math.min(west, this.x[place]);
            east = Math.max(east, this.x[place]);
            north = Math.min(north, this.y[place]);
            south = Math.max(south, this.y[place]);
          }
        }
        this.box.set([west, north, east, south], 4 * n);
      });
    }

    /** South-west and north-east corners of some shapes as [lat, lon] pairs, or null. */
    bounds(indices) {
      let [west, north, east, south] = [Infinity, Infinity, -Infinity, -Infinity];
      for (const n of indices) {
        west = Math.min(west, this.box[4 * n]);
        north = Math.min(north, this.box[4 * n + 1]);
        east = Math.max(east, this.box[4 * n + 2]);
        south = Math.max(south, this.box[4 * n + 3]);
      }
      if (west > east) return null;
      return [[latitude(south), (west - 0.5) * 360], [latitude(north), (east - 0.5) * 360]];
    }

    /** True when the place (mercator, 0 to 1) lies in the area of shape n, or within `reach` of its box if it has none. */
    holds(n, x, y, reach) {
      const [west, north, east, south] = this.box.subarray(4 * n, 4 * n + 4);
      if (x < west - reach || x > east + reach || y < north - reach || y > south + reach) return false;
      if (east - west < reach && south - north < reach) return true;
      let inside = false;
      let place = this.first[n];
      for (const [kind, size] of this.chains[n]) {
        if (kind >= 2) {
          for (let i = 0, j = size - 1; i < size; j = i++) {
            const a = place + i;
            const b = place + j;
            if (this.y[a] > y !== this.y[b] > y && x < ((this.x[b] - this.x[a]) * (y - this.y[a])) / (this.y[b] - this.y[a]) + this.x[a]) inside = !inside;
          }
        }
        place += size;
      }
      return inside;
    }
  };

  function latitude(y) {
    return (360 / Math.PI) * Math.atan(Math.exp((0.5 - y) * 2 * Math.PI)) - 90;
  }

  /** A Leaflet layer that draws groups of shapes: [{shapes, indices, style}], the chosen shape on top. */
  Corridor.Canvas = L.Layer.extend({
    initialize() {
      this.groups = [];
      this.chosen = null;
    },

    onAdd(map) {
      this.canvas = L.DomUtil.create("canvas", "leaflet-zoom-hide", map.getPane("overlayPane"));
      map.on("moveend zoomend resize viewreset", this.draw, this);
      this.draw();
    },

    onRemove(map) {
      map.off("moveend zoomend resize viewreset", this.draw, this);
      this.canvas.remove();
    },

    show(groups) {
      this.groups = groups;
      if (this._map) this.draw();
    },

    draw() {
      const map = this._map;
      const size = map.getSize();
      const ratio = window.devicePixelRatio || 1;
      L.DomUtil.setPosition(this.canvas, map.containerPointToLayerPoint([0, 0]));
      this.canvas.width = Math.max(size.x * ratio, 1);
      this.canvas.height = Math.max(size.y * ratio, 1);
      this.canvas.style.width = size.x + "px";
      this.canvas.style.height = size.y + "px";
      const context = this.canvas.getContext("2d");
      context.scale(ratio, ratio);
      const world = 256 * Math.pow(2, map.getZoom());
      const corner = map.project(map.containerPointToLatLng([0, 0]), map.getZoom());
      const view = { world, west: corner.x, north: corner.y, width: size.x, height: size.y };
      Corridor.graticule(context, map, size);
      for (const group of this.groups) drawGroup(context, group, view);
      if (this.chosen) drawGroup(context, this.chosen, view);
    },
  });

  function drawGroup(context, { shapes, indices, style }, view) {
    context.strokeStyle = style.colour;
    context.fillStyle = style.colour;
    context.lineWidth = style.width || 1.5;
    context.setLineDash(style.dash || []);
    for (const n of indices) {
      const left = shapes.box[4 * n] * view.world - view.west;
      const top = shapes.box[4 * n + 1] * view.world - view.north;
      const right = shapes.box[4 * n + 2] * view.world - view.west;
      const bottom = shapes.box[4 * n + 3] * view.world - view.north;
      if (right < -20 || bottom < -20 || left > view.width + 20 || top > view.height + 20) continue;
      if (right - left < SMALLEST && bottom - top < SMALLEST) {
        context.fillRect((left + right - SMALLEST) / 2, (top + bottom - SMALLEST) / 2, SMALLEST, SMALLEST);
        continue;
      }
      // Each shape on its own: one path of thousands takes a browser many seconds to fill.
      context.beginPath();
      let place = shapes.first[n];
      for (const [kind, size] of shapes.chains[n]) {
        for (let i = 0; i < size; i++, place++) {
          const x = shapes.x[place] * view.world - view.west;
          const y = shapes.y[place] * view.world - view.north;
          if (i) context.lineTo(x, y);
          else context.moveTo(x, y);
        }
        if (kind >= 2) context.closePath();
      }
      if (style.fill) {
        context.globalAlpha = style.fill;
        context.fill("evenodd");
        context.globalAlpha = 1;
      }
      context.stroke();
    }
    context.setLineDash([]);
  }

  /** A small box drawn in a style, for the legend. */
  Corridor.sample = function (style) {
    const canvas = document.createElement("canvas");
    const ratio = window.devicePixelRatio || 1;
    canvas.width = 26 * ratio;
    canvas.height = 12 * ratio;
    canvas.style.width = "26px";
    canvas.style.height = "12px";
    const context = canvas.getContext("2d");
    context.scale(ratio, ratio);
    context.strokeStyle = context.fillStyle = style.colour;
    context.lineWidth = style.width || 1.5;
    context.setLineDash(style.dash || []);
    context.beginPath();
    if (style.fill) context.rect(2, 2, 22, 8);
    else {
      context.moveTo(0, 6);
      context.lineTo(26, 6);
    }
    context.globalAlpha = style.fill || 0;
    context.fill();
    context.globalAlpha = 1;
    context.stroke();
    return canvas;
  };

  const STEPS = [30, 20, 10, 5, 2, 1, 0.5, 0.25, 1 / 6, 1 / 12, 1 / 20, 1 / 30, 1 / 60, 1 / 120, 1 / 240, 1 / 600, 1 / 1200, 1 / 3600];

  /** Meridians and parallels with their degrees and minutes: the map has no other ground. */
  Corridor.graticule = function (context, map, size) {
    const bounds = map.getBounds();
    const wide = bounds.getEast() - bounds.getWest();
    const step = STEPS.find((candidate) => candidate < wide / 4) || STEPS[STEPS.length - 1];
    context.strokeStyle = Corridor.colour("grat");
    context.fillStyle = Corridor.colour("soft");
    context.lineWidth = 1;
    context.font = "11px system-ui, sans-serif";
    context.beginPath();
    for (let k = Math.ceil(bounds.getWest() / step); k * step <= bounds.getEast(); k++) {
      const x = map.latLngToContainerPoint([bounds.getNorth(), k * step]).x;
      context.moveTo(x, 0);
      context.lineTo(x, size.y);
      context.fillText(Corridor.minutes(Corridor.longitude(k * step), "E", "W", step), x + 3, 12);
    }
    for (let k = Math.ceil(bounds.getSouth() / step); k * step <= bounds.getNorth(); k++) {
      const y = map.latLngToContainerPoint([k * step, bounds.getWest()]).y;
      context.moveTo(0, y);
      context.lineTo(size.x, y);
      context.fillText(Corridor.minutes(k * step, "N", "S", step), 50, y - 3);
    }
    context.stroke();
  };

  /** Degrees and decimal minutes; decimals by the step between neighbours (degrees). */
  Corridor.minutes = function (value, positive, negative, step) {
    const places = step >= 1 / 60 - 1e-9 ? 0 : step >= 1 / 600 - 1e-9 ? 1 : step >= 1 / 6000 - 1e-9 ? 2 : 4;
    const unit = Math.pow(10, places);
    const total = Math.round(Math.abs(value) * 60 * unit);
    const degrees = Math.floor(total / (60 * unit));
    const minutes = ((total - degrees * 60 * unit) / unit).toFixed(places).padStart(places ? places + 3 : 2, "0");
    return degrees + "\u00b0" + minutes + "\u2032" + (value < 0 ? negative : positive);
  };
})();
