"use strict";
// Popups and the details beside the map: layers, figures, checks, lists, cautions. Text only, never markup.

(function () {
  const { make, facts, fixed } = Corridor;
  const sign = (ok) => (ok ? "\u2713 holds" : "\u2717 broken");

  Corridor.pointPopup = function (line, i) {
    const p = line.points;
    const box = make("div", "popup", null, make("h3", "", p.text("point", i)));
    box.append(
      facts([
        ["KP in", p.text("kp_in_km", i, 3)],
        ["KP out", p.text("kp_out_km", i, 3)],
        ["Radius", metres(p, "radius_m", i)],
        ["Deflection", turn(p.at("deflection_deg", i))],
        ["Tangent", metres(p, "tangent_m", i)],
        ["Arc", metres(p, "arc_m", i)],
        ...place(p, i),
      ])
    );
    return box;
  };

  Corridor.crossingPopup = function (line, i) {
    const c = line.crossings;
    const box = make("div", "popup", null, make("h3", "", c.text("feature", i)));
    box.append(
      facts([
        ["KP", c.text("kp_km", i, 3)],
        ["Layer", c.text("layer", i)],
        ["Owner", c.text("owner", i)],
        ["Kind", c.text("kind", i)],
        ["Status", c.text("status", i)],
        ["Angle", fixed(c.at("angle_deg", i), 1) + "\u00b0"],
        ["Depth", metres(c, "depth_m", i, 2)],
        ["Straight before", metres(c, "straight_before_m", i, 1)],
        ["Straight after", metres(c, "straight_after_m", i, 1)],
        ["Separation", metres(c, "separation_m", i, 2)],
        ["Rule", sign(c.at("ok", i)), c.at("ok", i) ? "" : "bad"],
        ...place(c, i),
      ])
    );
    return box;
  };

  Corridor.spanPopup = function (line, i) {
    const s = line.spans;
    const box = make("div", "popup", null, make("h3", "", "Span " + s.text("span", i)));
    const cases = [];
    for (let j = 0; j < s.rows; j++) {
      if (s.at("span", j) === s.at("span", i)) cases.push(s.text("load_case", j) + ": " + s.text("verdict", j));
    }
    box.append(
      facts([
        ["Verdict", s.text("verdict", i)],
        ["Load case", s.text("load_case", i)],
        ["Reason", s.has("reason") ? s.text("reason", i) : ""],
        ["KP", s.text("kp_start_km", i, 3) + " to " + s.text("kp_end_km", i, 3)],
        ["Length", metres(s, "length_m", i, 1)],
        ["Greatest gap", metres(s, "max_gap_m", i, 2)],
        ["Allowable length", metres(s, "allowable_length_m", i, 1)],
        ["Depth", metres(s, "depth_m", i, 2)],
        ["Moment", withUnit(s, "max_moment_kNm", i, 1, "kNm")],
        ["Stress", withUnit(s, "max_stress_MPa", i, 1, "MPa")],
        ["Frequency in-line", withUnit(s, "frequency_inline_hz", i, 3, "Hz")],
        ["Frequency cross-flow", withUnit(s, "frequency_crossflow_hz", i, 3, "Hz")],
        ["Probability", s.text("probability", i, 2)],
        ["All cases", cases.join("; ")],
      ])
    );
    return box;
  };

  function withUnit(table, column, i, places, unit) {
    const text = table.text(column, i, places);
    return text ? text + " " + unit : "";
  }

  function metres(table, column, i, places) {
    return withUnit(table, column, i, places, "m");
  }

  function turn(degrees) {
    if (degrees === null) return "";
    return fixed(Math.abs(degrees), 4) + "\u00b0 " + (degrees > 0 ? "right" : "left");
  }

  function place(table, i) {
    return [
      ["Easting", metres(table, "easting_m", i)],
      ["Northing", metres(table, "northing_m", i)],
      ["Latitude", Corridor.degrees(table.at("latitude_deg", i), "N", "S", 7)],
      ["Longitude", Corridor.degrees(table.at("longitude_deg", i), "E", "W", 7)],
    ];
  }

  Corridor.Panel = class {
    constructor(holder, summary, layers, seabed, look, route) {
      this.holder = holder;
      this.summary = summary;
      this.told = summary; // the figures of the line shown
      this.route = route;
      this.layers = layers;
      this.seabed = seabed;
      this.look = look;
      this.lists = {};
    }

    build(line) {
      this.told = line.summary || this.summary;
      this.holder.replaceChildren();
      this.lists = {};
      this.section("Cautions", this.cautions(), true);
      this.section("On the map", this.legend(line), true);
      if (line.assessed) {
        this.section("Figures", this.figures(), false);
        this.section("Checks", this.checks(), true, this.broken() ? this.broken() + " broken" : "all hold");
      } else {
        this.section("Figures", make("p", "", "This line was drawn for comparison and not assessed. Length " + fixed(line.length, 3) + " km."), true);
      }
      this.list("Crossings", line.crossings, "kp_km", (c, i) => [
        c.text("kp_km", i, 3), Corridor.short(c.at("feature", i), 34), fixed(c.at("angle_deg", i), 1) + "\u00b0", c.at("ok", i) ? "\u2713" : "\u2717",
      ], "crossing");
      this.list("Spans", line.spans, "kp_start_km", (s, i) => [
        s.text("kp_start_km", i, 3), "span " + s.text("span", i), fixed(s.at("length_m", i), 1) + " m", s.text("verdict", i),
      ], "span");
      this.section("Not assessed", bullets(this.told.not_assessed), false);
      this.section("Remarks", bullets([...this.told.warnings, ...this.told.notes]), false);
      this.section("Where this comes from", this.sources(), false);
    }

    section(title, content, open, remark) {
      if (!content) return;
      const head = make("summary", "", title, ...(remark ? [make("span", "count", remark)] : []));
      const box = make("details", "", null, head, content);
      box.open = open;
      this.holder.append(box);
    }

    cautions() {
      return bullets(this.summary.cautions);
    }

    legend(line) {
      const box = make("div", "legend");
      const depths = this.seabed.depths;
      const ramp = make("div", "ramp");
      ramp.style.background = "linear-gradient(to right, " + this.look.depths.join(", ") + ")";
      const ends = make("div", "ramp-ends", null, make("span", "", fixed(depths.shallow_m, 0) + " m"),
        make("span", "", "depth below " + (this.summary.vertical_datum || "datum")), make("span", "", fixed(depths.deep_m, 0) + " m"));
      box.append(this.toggle("Seabed, relief shaded \u00d7" + depths.relief, null, (on) => this.seabed.show(on)), ramp, ends);
      for (const layer of this.layers.layers) {
        box.append(this.toggle(layer.name, layer, (on) => Corridor.emit("layer", { layer, on })));
      }
      box.append(this.keys(line));
      if (this.layers.tolerance) {
        box.append(make("p", "note", "Shapes are drawn up to " + this.layers.tolerance + " m simpler than they are; the files keep every vertex."));
      }
      return box;
    }

    toggle(title, layer, run) {
      const box = make("input");
      box.type = "checkbox";
      box.checked = true;
      box.addEventListener("change", () => run(box.checked));
      const label = make("label", "toggle", null, box);
      if (layer) {
        label.append(swatch(layer.colour, layer.mark));
        label.append(make("span", "name", Corridor.short(title, 40)), make("span", "count", layer.word + ", " + layer.count));
      } else label.append(make("span", "name", title));
      return label;
    }

    keys(line) {
      const box = make("div", "keys");
      const add = (colour, shape, words) => box.append(make("span", "entry", null, swatch(colour, shape), make("span", "", words)));
      const { lines } = this.route;
      lines.forEach((one, i) => add(this.route.colour(i), i ? "line dashed" : "line", lines.length > 1 ? Corridor.short(one.name, 30) : "line"));
      add(this.route.colour(this.route.current), "hollow", "IP");
      if (line.crossings && line.crossings.rows) add(this.look.rules.cross, "square", "crossing");
      if (line.spans) {
        const found = new Map();
        for (let i = 0; i < line.spans.rows; i++) {
          if (line.spans.at("governs", i)) found.set(line.spans.text("verdict", i), line.spans.at("class", i));
        }
        for (const [verdict, name] of found) add(this.look.verdicts[name], "bar", "span: " + verdict);
      }
      return box;
    }

    figures() {
      const s = this.told;
      const m = (value, places = 1) => (value === null ? null : fixed(value, places) + " m");
      return facts([
        ["Length on the grid", m(s.length_m, 3)],
        ["Length on the ellipsoid", m(s.length_ellipsoid_m, 3)],
        ["Bends", s.bends],
        ["Least radius", m(s.min_radius_m, 3)],
        ["Greatest slope along", fixed(s.max_slope_along_deg, 2) + "\u00b0"],
        ["Greatest slope across", fixed(s.max_slope_across_deg, 2) + "\u00b0"],
        ["Crossings", s.crossings],
        ["Free spans", s.spans],
        ["Cost, equivalent", m(s.cost_m)],
        ...Object.entries(s.cost_terms).map(([term, value]) => ["\u2003" + term.replace(/_m$/, "").replaceAll("_", " "), m(value)]),
        ["No line costs less than", m(s.lower_bound_m)],
        ["Gap to that bound", s.gap_percent === null ? null : fixed(s.gap_percent, 2) + " %"],
      ]);
    }

    broken() {
      return this.told.checks.filter((check) => !check.ok).length;
    }

    checks() {
      const table = make("table", "list checks", null);
      table.append(row("th", ["Rule", "Limit", "Worst", "KP", ""]));
      for (const check of this.told.checks) {
        const cells = [
          ruleName(check.rule) + (check.layer ? ": " + Corridor.short(check.layer, 24) : ""),
          trimmed(check.limit), trimmed(check.worst), fixed(check.kp_km, 3), check.ok ? "\u2713" : "\u2717",
        ];
        const line = row("td", cells, check.ok ? "" : "bad");
        line.title = Corridor.short(check.detail, 200);
        if (check.kp_km !== null) jumpable(line, () => Corridor.emit("jump", { kp: check.kp_km }));
        table.append(line);
      }
      return table;
    }

    list(title, table, column, cells, kind) {
      if (!table) return;
      const body = make("table", "list");
      const shown = [];
      for (let i = 0; i < table.rows; i++) if (!table.has("governs") || table.at("governs", i)) shown.push(i);
      for (const i of shown.slice(0, 1000)) {
        const line = row("td", cells(table, i));
        jumpable(line, () => Corridor.emit("jump", { kp: table.at(column, i), kind, row: i }));
        body.append(line);
      }
      const rest = shown.length - 1000;
      const box = make("div", "", null, body);
      if (rest > 0) box.append(make("p", "note", rest + " more in the files"));
      this.section(title, box, false, String(shown.length));
    }

    sources() {
      const s = this.summary;
      const box = make("div", "", null, facts([
        ["Project", s.project], ["Revision", s.revision], ["Written", s.time], ["Version", "corridor " + s.version],
        ["CRS", s.crs], ["Vertical datum", s.vertical_datum],
        ["Pointer coordinates", "interpolated, within " + Corridor.latticeError + " m of the projection"],
        ["Map drawing", "Leaflet, BSD 2-Clause (notice in this file)"],
      ]));
      const files = make("table", "list hashes");
      for (const input of s.inputs) files.append(row("td", [input.file, input.sha256]));
      box.append(files);
      return box;
    }
  };

  /** A rule's key in words, its unit in brackets. */
  function ruleName(rule) {
    const words = rule.replace(/_deg$/, " (\u00b0)").replace(/_m$/, " (m)");
    return words.replaceAll("_", " ");
  }

  function trimmed(value) {
    return value === null ? "" : String(Number(value.toFixed(4)));
  }

  function bullets(words) {
    if (!words.length) return null;
    return make("ul", "", null, ...words.map((text) => make("li", "", text)));
  }

  function row(tag, cells, name) {
    return make("tr", name || "", null, ...cells.map((text) => make(tag, "", text)));
  }

  function jumpable(line, run) {
    line.classList.add("jumpable");
    line.tabIndex = 0;
    line.addEventListener("click", run);
    line.addEventListener("keydown", (event) => event.key === "Enter" && run());
  }

  function swatch(colour, shape) {
    const box = make("span", "swatch " + shape);
    box.style.setProperty("--c", colour);
    return box;
  }
})();
