"use strict";
// The project's layers: shapes by rule, outlines of standoffs, popups made of text.

(function () {
  const SHAPES = { avoid: "triangle", discourage: "dot", cross: "square", stay_within: "diamond" };
  const DASHES = { stay_within: "8 5", jurisdiction: "2 5" };

  /** A small mark of one of four shapes, drawn on Leaflet's canvas. */
  Corridor.Mark = L.CircleMarker.extend({
    _updatePath() {
      this._renderer._updateMark(this);
    },
  });

  L.Canvas.include({
    _updateMark(layer) {
      if (!this._drawing || layer._empty()) return;
      const { x, y } = layer._point;
      const r = Math.max(Math.round(layer._radius), 1);
      const context = this._ctx;
      context.beginPath();
      for (const [dx, dy] of Corridor.outline(layer.options.shape)) context.lineTo(x + dx * r, y + dy * r);
      if (layer.options.shape === "dot") context.arc(x, y, r, 0, 2 * Math.PI);
      context.closePath();
      this._fillStroke(context, layer);
    },
  });

  Corridor.outline = function (shape) {
    if (shape === "triangle") return [[0, -1.15], [1.05, 0.75], [-1.05, 0.75]];
    if (shape === "square") return [[-0.85, -0.85], [0.85, -0.85], [0.85, 0.85], [-0.85, 0.85]];
    if (shape === "diamond") return [[0, -1.2], [1.2, 0], [0, 1.2], [-1.2, 0]];
    return [];
  };

  /** Chains of vertices as [kind, [[lat, lon], ...]] per feature. */
  function unpack(packed, near) {
    const count = packed.chains.reduce((sum, parts) => sum + parts.reduce((n, part) => n + part[1], 0), 0);
    const lat = new Corridor.Figures(packed.lat, count);
    const lon = new Corridor.Figures(packed.lon, count);
    let place = 0;
    return packed.chains.map((parts) =>
      parts.map(([kind, size]) => {
        const chain = [];
        for (let i = 0; i < size; i++, place++) chain.push([lat.at(place), near(lon.at(place))]);
        return [kind, chain];
      })
    );
  }

  /** One Leaflet object per point, line or polygon of a feature. */
  function drawn(parts, style, shape) {
    const objects = [];
    for (const [kind, chain] of parts) {
      if (kind === 0) {
        const mark = { ...style, shape, radius: style.radius, color: "#ffffff", weight: 1.5, fillOpacity: 1, dashArray: null };
        objects.push(new Corridor.Mark(chain[0], mark));
      } else if (kind === 1) objects.push(L.polyline(chain, { ...style, fill: false }));
      else if (kind === 2) objects.push([chain]);
      else objects[objects.length - 1].push(chain);
    }
    return objects.map((object) => (Array.isArray(object) ? L.polygon(object, style) : object));
  }

  function outlines(parts) {
    return parts.filter(([kind]) => kind > 0);
  }

  function styleOf(rule, colour) {
    const filled = rule === "avoid" || rule === "discourage";
    return {
      color: colour,
      weight: rule === "cross" ? 2.5 : 1.75,
      fill: filled, // an outline alone lets clicks inside it through to what lies there
      fillColor: colour,
      fillOpacity: filled ? 0.26 : 0.0,
      dashArray: DASHES[rule] || null,
    };
  }

  Corridor.Layers = class {
    constructor(map, packed, look, near) {
      this.map = map;
      this.tolerance = packed.tolerance_m;
      this.layers = packed.layers.map((layer) => this.built(layer, look, near));
      for (const layer of this.layers) layer.group.addTo(map);
    }

    built(layer, look, near) {
      const colour = look.rules[layer.rule] || "#5a6068";
      const style = { ...styleOf(layer.rule, colour), radius: layer.names.length > 60 ? 4.5 : 6 };
      const group = L.featureGroup();
      const ring = { color: colour, weight: 1.25, dashArray: "3 4", fill: false, interactive: false };
      for (const parts of unpack(layer.rings, near)) {
        for (const object of drawn(parts, ring)) group.addLayer(object);
      }
      const shapes = unpack(layer.shapes, near);
      if (layer.rule === "cross" || layer.rule === "stay_within") {
        // A light casing keeps thin dark lines readable on deep water.
        const casing = { color: "#ffffff", weight: 5, opacity: 0.5, fill: false, interactive: false };
        for (const parts of shapes) for (const object of drawn(outlines(parts), casing)) group.addLayer(object);
      }
      shapes.forEach((parts, i) => {
        for (const object of drawn(parts, style, SHAPES[layer.rule] || "dot")) {
          object.bindPopup(() => popup(layer, i), { maxWidth: 340, maxHeight: 400 });
          object.bindTooltip(() => Corridor.make("span", "", Corridor.short(layer.names[i])), { sticky: true });
          group.addLayer(object);
        }
      });
      const onlyPoints = shapes.every((parts) => parts.every(([kind]) => kind === 0));
      const mark = onlyPoints ? SHAPES[layer.rule] || "dot" : layer.rule;
      return { name: layer.name, mark, rule: layer.rule, word: layer.word, count: layer.names.length, colour, group, facts: layer.facts };
    }

    show(layer, wanted) {
      if (wanted) layer.group.addTo(this.map).bringToBack();
      else layer.group.remove();
    }
  };

  function popup(layer, i) {
    const box = Corridor.make("div", "popup", null, Corridor.make("h3", "", layer.names[i]));
    const own = layer.attributes[i] || {};
    const standoff = layer.standoff_m[i] ? Corridor.fixed(layer.standoff_m[i], 1) + " m" : null;
    box.append(
      Corridor.facts([
        ["Layer", layer.name],
        ["Rule", layer.word],
        ["Standoff", standoff],
        ["Factor", layer.facts.factor],
        ["Least angle", layer.facts.min_angle_deg ? layer.facts.min_angle_deg + "\u00b0" : null],
        ["Consent", layer.facts.needs_consent ? "needs an authority's consent to relax" : null],
        ...Object.entries(own),
      ])
    );
    return box;
  }
})();
