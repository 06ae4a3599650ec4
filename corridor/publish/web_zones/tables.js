"use strict";
// Permit tables, notes and what was left out, as plain text in tables.

(function () {
  const { make, byId } = Corridor;
  const HEADS = {
    zone: "No.", kp_km: "KP km", kp_start_km: "from KP", kp_end_km: "to KP", length_m: "length m", distance_m: "distance m",
    bearing_deg: "grid bearing \u00b0", overlap_ha: "overlap ha", share_of_corridor_percent: "of the corridor %", angle_deg: "angle \u00b0",
    min_angle_deg: "least angle \u00b0", easting_m: "easting m", northing_m: "northing m", latitude_deg: "latitude \u00b0",
    longitude_deg: "longitude \u00b0", buffer_m: "buffer m", in_force: "in force", needs_consent: "needs consent", legal_basis: "legal basis",
  };

  /** Text that keeps to its own direction. */
  Corridor.isolated = function (text) {
    const element = document.createElement("bdi");
    element.textContent = String(text);
    return element;
  };

  Corridor.gridTable = function (table, columns) {
    const element = make("table", "grid");
    const head = make("tr");
    for (const name of columns) {
      const cell = make("th", numeric(name) ? "number" : "", HEADS[name] || name.replaceAll("_", " "));
      cell.scope = "col";
      head.append(cell);
    }
    element.append(make("thead", "", null, head));
    const body = make("tbody");
    for (let i = 0; i < table.rows; i++) {
      const row = make("tr");
      for (const name of columns) {
        const text = numeric(name) ? table.text(name, i, places(name)) : table.text(name, i);
        const cell = make("td", numeric(name) ? "number" : name === "yes" ? text : "");
        cell.append(Corridor.isolated(text));
        row.append(cell);
      }
      body.append(row);
    }
    element.append(body);
    return element;
  };

  function numeric(name) {
    return /_(m|km|deg|ha|percent|m2)$/.test(name) || name === "zone";
  }

  /** Decimals on the page; files hold more. */
  function places(name) {
    if (name === "zone") return 0;
    if (name.startsWith("kp")) return 3;
    if (/^(latitude|longitude)_deg$/.test(name)) return 7;
    return name.endsWith("_m2") ? 0 : name.endsWith("_ha") || name.endsWith("_percent") ? 2 : 1;
  }

  function box(title, count, open, ...content) {
    const details = make("details");
    details.open = open;
    details.append(make("summary", "", title, make("span", "soft", count === null ? "" : " (" + count + ")")), ...content);
    return details;
  }

  Corridor.showTables = function (tables, notes) {
    const place = byId("tables");
    for (const { title, packed, columns } of tables) {
      const table = new Corridor.Table(packed);
      const content = table.rows ? make("div", "scroll", null, Corridor.gridTable(table, columns)) : make("p", "soft", "none");
      place.append(box(title, table.rows, title === "Conditions", content));
    }
    for (const { title, lines, open } of notes) {
      const list = make("ul");
      for (const line of lines) list.append(make("li", "", null, Corridor.isolated(line)));
      if (lines.length) place.append(box(title, null, open, list));
    }
  };
})();
