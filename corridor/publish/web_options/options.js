"use strict";
// The options page: figures from the data islands become text and shapes, never markup.

(function () {
  const island = (name) => JSON.parse(document.getElementById("data-" + name).textContent);
  const byId = (id) => document.getElementById(id);
  const data = island("options");
  const plan = island("plan");
  const SPACE = "http://www.w3.org/2000/svg";
  const known = (value) => value !== null && value !== undefined && value !== "";

  function make(tag, name, text) {
    const element = document.createElement(tag);
    if (name) element.className = name;
    if (known(text)) element.textContent = String(text);
    return element;
  }

  function shape(tag, attributes) {
    const element = document.createElementNS(SPACE, tag);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    return element;
  }

  const grouped = (places) => (value) =>
    known(value)
      ? Number(value).toLocaleString("en-GB", { minimumFractionDigits: places, maximumFractionDigits: places })
      : "not assessed";
  const words = (value) => (known(value) ? String(value) : "\u2013");

  // Heading, key, how it is written, whether the least is the best.
  const ROWS = [
    ["Length, m", "length_m", grouped(0), true],
    ["Cost, equivalent m", "cost_m", grouped(0), true],
    ["of it: length", "cost_length_m", grouped(0), false],
    ["of it: slope", "cost_slope_m", grouped(0), false],
    ["of it: discouraged ground", "cost_discouraged_m", grouped(0), false],
    ["of it: crossings", "cost_crossings_m", grouped(0), false],
    ["of it: bends", "cost_bends_m", grouped(0), false],
    ["Above the lower bound, %", "gap_percent", grouped(2), false],
    ["Bends", "bends", grouped(0), true],
    ["Least radius, m", "min_radius_m", grouped(0), false],
    ["Crossings", "crossings", grouped(0), true],
    ["Free spans", "spans", grouped(0), true],
    ["Steepest along, degrees", "max_slope_along_deg", grouped(1), true],
    ["Steepest across, degrees", "max_slope_across_deg", grouped(1), true],
    ["On discouraged ground, m", "discouraged_m", grouped(0), true],
    ["Zones entered", "zones_entered", words, false],
    ["Pipe joints", "joints", grouped(0), false],
    ["Lay days", "lay_days", grouped(1), true],
    ["Lay rate, km a day", "lay_rate_km_day", grouped(1), false],
    ["Checks that fail", "rules_broken", grouped(0), true],
    ["Passes", "passes", words, false],
    ["No better in anything than", "dominated_by", words, false],
  ];

  function drawTable() {
    const table = byId("table");
    const head = make("tr");
    head.append(make("th", "", "Option"));
    for (const option of data.options) {
      head.append(make("th", option.dominated_by ? "dominated" : "", option.option));
    }
    table.append(head);
    for (const [heading, key, write, least] of ROWS) {
      const line = make("tr");
      line.append(make("th", "", heading));
      const figures = data.options.map((option) => option[key]).filter(known);
      const best = least && new Set(figures).size > 1 ? Math.min(...figures) : null;
      for (const option of data.options) {
        const marks = [write === words && known(option[key]) ? "text" : "", option[key] === best && best !== null ? "best" : ""];
        if (option.dominated_by) marks.push("dominated");
        line.append(make("td", marks.join(" ").trim(), write(option[key])));
      }
      table.append(line);
    }
  }

  const points = (xy) => xy.map(([x, y]) => x.toFixed(1) + "," + (plan.height - y).toFixed(1)).join(" ");

  /** A bar of a round length, about a sixth of the plan's width. */
  function scaleBar(thin) {
    const power = Math.pow(10, Math.floor(Math.log10(plan.width / 6)));
    const length = power * [5, 2, 1].find((times) => times * power <= plan.width / 6);
    const [left, base] = [10 * thin, plan.height - 10 * thin];
    const group = shape("g", { id: "scale-bar", stroke: "#1d1f24", fill: "none", "stroke-width": 1.5 * thin });
    group.append(shape("path", { d: `M${left} ${base - 5 * thin}V${base}H${left + length}V${base - 5 * thin}` }));
    const text = shape("text", { x: left + length / 2, y: base - 5 * thin, "text-anchor": "middle", "font-size": 11 * thin, fill: "#1d1f24", stroke: "none" });
    text.textContent = length >= 1000 ? length / 1000 + " km" : length + " m";
    group.append(text);
    return group;
  }

  function drawPlan() {
    const svg = shape("svg", {
      viewBox: "0 0 " + plan.width + " " + plan.height,
      role: "img",
      "aria-label": "Plan of all options",
    });
    const thin = plan.width / 700;
    for (const zone of plan.zones) {
      const drawn = shape(zone.filled ? "polygon" : "polyline", {
        points: points(zone.xy),
        fill: zone.filled ? zone.colour : "none",
        "fill-opacity": 0.18,
        stroke: zone.colour,
        "stroke-width": thin,
      });
      const title = shape("title", {});
      title.textContent = zone.name;
      drawn.append(title);
      svg.append(drawn);
    }
    for (const line of [...plan.lines].reverse()) {
      const drawn = shape("polyline", {
        points: points(line.xy),
        fill: "none",
        stroke: line.colour,
        "stroke-width": 3.5 * thin,
        "stroke-dasharray": line.dashed ? 12 * thin + " " + 8 * thin : "none",
      });
      const title = shape("title", {});
      title.textContent = "Option " + line.name;
      drawn.append(title);
      svg.append(drawn);
    }
    svg.append(scaleBar(thin));
    byId("plan").append(svg);
    for (const line of plan.lines) {
      const entry = make("li");
      const sign = shape("svg", { viewBox: "0 0 34 10" });
      sign.append(
        shape("line", {
          x1: 0,
          x2: 34,
          y1: 5,
          y2: 5,
          stroke: line.colour,
          "stroke-width": 4,
          "stroke-dasharray": line.dashed ? "7 5" : "none",
        }),
      );
      entry.append(sign, make("span", "", "Option " + line.name));
      byId("legend").append(entry);
    }
  }

  byId("title").textContent = data.title;
  byId("caution").textContent = data.cautions[0];
  for (const text of data.notes) byId("notes").append(make("li", "", text));
  for (const text of data.cautions) byId("cautions").append(make("li", "", text));
  drawTable();
  drawPlan();
})();
