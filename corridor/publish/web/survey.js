"use strict";
// The survey's page: figures from the data island become text, never markup.

(function () {
  const island = (name) => JSON.parse(document.getElementById("data-" + name).textContent);
  const byId = (id) => document.getElementById(id);
  const survey = island("survey");
  const known = (value) => value !== null && value !== undefined && value !== "";

  function make(tag, name, text) {
    const element = document.createElement(tag);
    if (name) element.className = name;
    if (known(text)) element.textContent = String(text);
    return element;
  }

  const grouped = (value, places = 0) =>
    Number(value).toLocaleString("en-GB", { minimumFractionDigits: places, maximumFractionDigits: places });
  const fixed = (places) => (value) => (known(value) ? grouped(value, places) : "\u2013");
  const signed = (places) => (value) => (known(value) ? (value > 0 ? "+" : "") + grouped(value, places) : "\u2013");
  const plain = (value) => (known(value) ? String(value) : "\u2013");

  /** A table from rows; columns are [heading, key, how it is written, class of the cell]. */
  function table(rows, columns) {
    const holder = make("div", "scroll");
    const body = make("table");
    const head = make("tr");
    for (const [heading, , write] of columns) head.append(make("th", write === plain ? "" : "number", heading));
    body.append(head);
    for (const row of rows) {
      const line = make("tr");
      for (const [, key, write, mark] of columns) {
        const value = typeof key === "function" ? key(row) : row[key];
        const cell = make("td", (write === plain ? "text" : "number") + (mark ? " " + mark(row) : ""), write(value));
        line.append(cell);
      }
      body.append(line);
    }
    holder.append(body);
    return holder;
  }

  function nothing(place, text) {
    byId(place).append(make("p", "quiet", text));
  }

  function heading() {
    document.title = survey.survey + " \u00b7 survey of " + survey.project;
    byId("title").textContent = survey.survey;
    byId("subtitle").textContent =
      survey.project + " \u00b7 revision " + survey.revision + " \u00b7 " + survey.crs + " \u00b7 depths on " + plain(survey.vertical_datum);
    const ok = survey.status === "ok";
    const met = known(survey.order_met) ? "meets order " + survey.order_met : "meets no order";
    byId("status").textContent = (ok ? "\u2713 " : "\u2717 ") + met + " \u00b7 order " + survey.order_required + " was asked for";
    byId("status").classList.toggle("bad", !ok);
    byId("caution").textContent = survey.cautions[0];
  }

  function figures() {
    const cards = [
      [grouped(survey.soundings), "soundings used"],
      [grouped(survey.rejected_percent, 3) + " %", "rejected as outliers (" + grouped(survey.rejected) + ")"],
      [plain(survey.cell_m) + " m", "cell, " + survey.estimator + " of its soundings"],
      [grouped(survey.coverage_percent, 2) + " %", "of the outline sounded (" + grouped(survey.outline_area_m2 / 1e6, 3) + " km\u00b2)"],
      [grouped(survey.holes), "holes, " + grouped(survey.cells_filled) + " cells bridged"],
      [grouped(survey.new_contacts), "new objects"],
    ];
    if (known(survey.density_per_m2)) cards.splice(3, 0, [grouped(survey.density_per_m2, 2), "soundings per m\u00b2"]);
    if (survey.overlap) {
      cards.push([signed(2)(survey.overlap.bias_m) + " m", "mean difference from the existing seabed"]);
      cards.push([grouped(survey.overlap.within_95_m, 2) + " m", "95 % of differences from it are below"]);
    }
    if (survey.line_agreement) cards.push([grouped(survey.line_agreement.within_95_m, 2) + " m", "95 % of differences between lines are below"]);
    for (const [value, text] of cards) {
      const card = make("div", "card");
      card.append(make("b", "", value), make("span", "", text));
      byId("figures").append(card);
    }
    byId("figures").after(make("p", "quiet", "Cell: " + survey.cell_reason + ". Uncertainty: " + survey.uncertainty + ". Edge: " + survey.edge + ". Outliers: " + survey.outlier_rule + "."));
  }

  function line() {
    const place = byId("line");
    if (!survey.line && !survey.affected_km.length) return nothing("line", "No line was given, or no part of it is affected.");
    const ranges = survey.affected_km.map((r) => r[0].toFixed(3) + " to " + r[1].toFixed(3)).join(", ");
    place.append(make("p", "", ranges ? "Affected: KP " + ranges + "." : "No part of the line is affected."));
    if (!survey.line) return;
    const mark = (row) => (row.verdict === "now broken" || row.verdict === "still broken" ? "bad" : "");
    const same = (row) => row.verdict === "ok" && row.old_worst === row.new_worst;
    const quiet = survey.line.rules.filter(same);
    const changed = survey.line.rules.filter((row) => !same(row));
    if (changed.length) {
      place.append(
        table(changed, [
          ["Rule", (r) => (r.layer ? r.rule + " (" + r.layer + ")" : r.rule), plain],
          ["Limit", "limit", fixed(2)],
          ["Before", "old_worst", fixed(2)],
          ["After", "new_worst", fixed(2)],
          ["KP", "kp_km", fixed(3)],
          ["", "verdict", plain, mark],
        ]),
      );
    }
    place.append(make("p", "quiet", quiet.length + (changed.length ? " other" : "") + " rules hold, with the same figures as before."));
    const labels = {
      length_m: "Length, m",
      cost_m: "Cost, equivalent m",
      max_slope_along_deg: "Steepest along, deg",
      max_slope_across_deg: "Steepest across, deg",
      least_depth_m: "Least depth, m",
      greatest_depth_m: "Greatest depth, m",
      spans: "Spans",
    };
    const figures = Object.entries(survey.line.figures).map(([name, pair]) => ({ name: labels[name] || name, pair, name_key: name }));
    const write = (k) => (row) => (known(row.pair[k]) ? grouped(row.pair[k], row.name_key === "spans" ? 0 : 2) : "not assessed");
    place.append(
      table(figures, [
        ["Figure", "name", plain],
        ["Before", write(0), (text) => text],
        ["After", write(1), (text) => text],
      ]),
    );
    if (!known(survey.line.figures.spans[1])) return place.append(make("p", "quiet", "Free spans were not assessed."));
    const spans = survey.line.spans.filter((span) => span.change !== "same");
    if (!spans.length) return place.append(make("p", "quiet", "No span appeared, went or changed by more than a metre."));
    place.append(
      table(spans, [
        ["Span from KP", "kp_start_km", fixed(3)],
        ["to KP", "kp_end_km", fixed(3)],
        ["", "change", plain],
        ["Length before, m", "old_length_m", fixed(1)],
        ["after, m", "new_length_m", fixed(1)],
        ["Verdict before", "old_verdict", plain],
        ["after", "new_verdict", plain],
      ]),
    );
  }

  function more(place, name) {
    const total = survey[name + "_total"];
    if (total > survey[name].length) nothing(place, "The first " + survey[name].length + " of " + total + "; all stand in " + name + ".csv.");
  }

  function contacts() {
    if (!survey.contacts.length) return nothing("contacts", "Nothing stands out of the seabed by as much as the order asks to find.");
    const mark = (row) => (row.status === "new" && row.kind === "object" ? "bad" : "");
    byId("contacts").append(
      table(survey.contacts, [
        ["Name", "name", plain],
        ["Kind", "kind", plain],
        ["Status", "status", plain, mark],
        ["Height, m", "height_m", fixed(2)],
        ["\u00b1 (95 %)", "height_uncertainty_m", fixed(2)],
        ["KP", "kp_km", fixed(3)],
        ["Off the line, m", "offset_m", signed(1)],
        ["Length, m", "length_m", fixed(1)],
        ["Width, m", "width_m", fixed(1)],
        ["Depth over it, m", "least_depth_m", fixed(2)],
        ["Easting", "easting_m", fixed(1)],
        ["Northing", "northing_m", fixed(1)],
        ["Known as", "known_as", plain],
        ["Soundings", "soundings", fixed(0)],
      ]),
    );
    more("contacts", "contacts");
  }

  function changes() {
    if (!survey.changes.length) return nothing("changes", "Nowhere beyond the combined 95 % uncertainty.");
    byId("changes").append(
      table(survey.changes, [
        ["Kind", "kind", plain],
        ["Area, m\u00b2", "area_m2", fixed(0)],
        ["Mean, m", "mean_change_m", signed(2)],
        ["Extreme, m", "extreme_change_m", signed(2)],
        ["Volume, m\u00b3", "volume_m3", signed(0)],
        ["\u00b1 (95 %), m\u00b3", "volume_uncertainty_m3", fixed(0)],
        ["Easting", "easting_m", fixed(1)],
        ["Northing", "northing_m", fixed(1)],
      ]),
    );
    byId("changes").append(make("p", "quiet", "Positive: deeper now."));
    more("changes", "changes");
  }

  function pictures() {
    for (const picture of island("pictures")) {
      const figure = make("figure");
      const caption = make("figcaption");
      caption.append(make("b", "", picture.title), make("span", "", picture.text));
      const image = make("img");
      image.alt = picture.title + ". " + picture.text;
      image.width = picture.width;
      image.height = picture.height;
      image.src = picture.uri;
      const legend = make("div", "legend");
      if (picture.stops.length) {
        const bar = make("span", "bar");
        bar.style.background = "linear-gradient(to right, " + picture.stops.join(", ") + ")";
        legend.append(make("span", "", picture.low), bar, make("span", "", picture.high));
      }
      for (const [colour, word] of picture.classes) {
        const chip = make("span", "chip");
        chip.style.background = colour;
        const entry = make("span");
        entry.append(chip, document.createTextNode(word));
        legend.append(entry);
      }
      figure.append(caption, image, legend);
      byId("pictures").append(figure);
    }
  }

  function orders() {
    const names = [...new Set(survey.orders.map((row) => row.order))];
    const criteria = [...new Set(survey.orders.map((row) => row.criterion))];
    const holder = make("div", "scroll");
    const body = make("table");
    const head = make("tr");
    head.append(make("th", "", "Criterion"));
    for (const name of names) head.append(make("th", "", "Order " + name));
    body.append(head);
    for (const criterion of criteria) {
      const row = make("tr");
      row.append(make("td", "", criterion));
      for (const name of names) {
        const check = survey.orders.find((item) => item.order === name && item.criterion === criterion);
        const mark = !check ? "" : check.ok === null ? "quiet" : check.ok ? "good" : "bad";
        const cell = make("td", mark, !check ? "" : check.ok === null ? "not assessed" : (check.ok ? "\u2713 " : "\u2717 ") + figure(check));
        if (check) cell.title = check.detail;
        row.append(cell);
      }
      body.append(row);
    }
    holder.append(body);
    byId("orders").append(holder);
    if (!known(survey.next_order)) return;
    const list = make("ul");
    for (const check of survey.holds_back) list.append(make("li", "", check.criterion + ": " + figure(check) + " (" + check.detail + ")"));
    byId("orders").append(make("p", "", "What keeps it from order " + survey.next_order + ":"), list);
  }

  function figure(check) {
    const share = check.unit.startsWith("%");
    const unit = share ? "%" : check.unit;
    const of = share ? check.unit.slice(1) : "";
    return grouped(check.value, 2) + " " + unit + of + " (" + (share ? "at least " : "at most ") + grouped(check.limit, share ? 1 : 2) + " " + unit + ")";
  }

  function lines() {
    if (!survey.lines.length) return nothing("lines", "No cell holds soundings of two lines.");
    byId("lines").append(
      table(survey.lines, [
        ["Line", "name", plain],
        ["Cells shared", "cells", fixed(0)],
        ["Bias, m", "bias_m", signed(3)],
        ["95 % below, m", "within_95_m", fixed(3)],
      ]),
    );
    more("lines", "lines");
  }

  function files() {
    byId("files").append(
      table(survey.files, [
        ["File", "name", plain],
        ["Read", "read", fixed(0)],
        ["Used", "kept", fixed(0)],
        ["Not a number", "not_finite", fixed(0)],
        ["Absurd depth", "absurd", fixed(0)],
        ["Outside", "outside", fixed(0)],
        ["Shoalest, m", "shoalest_m", fixed(2)],
        ["Deepest, m", "deepest_m", fixed(2)],
        ["SHA-256", (row) => row.sha256.slice(0, 16) + "\u2026", plain],
      ]),
    );
  }

  function notes() {
    for (const text of [...survey.notes, ...survey.cautions]) byId("notes").append(make("li", "", text));
    byId("foot").textContent = survey.project + ", revision " + survey.revision + " \u00b7 " + survey.software + " " + survey.version + " \u00b7 " + survey.time;
  }

  heading();
  figures();
  line();
  contacts();
  changes();
  pictures();
  orders();
  lines();
  files();
  notes();
})();
