"use strict";
// The page: filters, list, map, details, keys, print.

(function () {
  const { byId, make, fixed, isolated } = Corridor;
  const about = Corridor.island("about");
  const zones = new Corridor.ZoneList(Corridor.island("zones"));
  const shapes = new Corridor.Shapes(Corridor.island("shapes"));
  const others = Corridor.island("others").map((group) => ({ name: group.name, style: group.style, shapes: new Corridor.Shapes(group.shapes, shapes.x[0]) }));
  const lattice = new Corridor.Lattice(Corridor.island("grid"));
  const look = Corridor.island("look");
  Corridor.showTables(Corridor.island("tables"), about.notes);

  const PAGE = 200;
  const PRINTED = 2000;
  const all = Array.from({ length: zones.count }, (_, i) => i);
  let matching = all;
  let listed = 0;
  let chosen = null;

  document.title = about.title;
  byId("title").textContent = about.title;
  byId("subtitle").textContent = about.subtitle;
  byId("caution").textContent = about.caution;

  const map = L.map("map", { zoomSnap: 0.25, zoomDelta: 0.5, maxZoom: 22, attributionControl: false, worldCopyJump: false, zoomAnimation: false });
  L.control.scale({ maxWidth: 160, imperial: false }).addTo(map);
  const canvas = new Corridor.Canvas();
  map.setView([0, 0], 2);

  // --- legend: what is drawn, in the style it is drawn in

  function legend() {
    const entries = [];
    for (const rule of ["avoid", "discourage"]) {
      const own = all.filter((i) => zones.table.at("rule", i) === rule);
      if (own.some((i) => zones.table.at("in_force", i))) entries.push([look.words[rule], styleOf(rule, true)]);
      if (own.some((i) => !zones.table.at("in_force", i))) entries.push([look.words[rule] + ", not in force", styleOf(rule, false)]);
    }
    for (const group of others) entries.push([group.name, group.style]);
    const list = make("ul", "legend");
    for (const [name, style] of entries) list.append(make("li", "", null, Corridor.sample(style), make("span", "", name)));
    return list;
  }

  function styleOf(rule, inForce) {
    const colour = look.rules[rule];
    if (!inForce) return { colour, width: 1, dash: [2, 4] };
    return { colour, width: 1.5, dash: rule === "avoid" ? [] : [6, 4], fill: 0.22 };
  }

  const corner = L.control({ position: "bottomright" });
  corner.onAdd = legend;
  corner.addTo(map);

  // --- filters

  const kinds = new Map();
  for (const kind of zones.kinds) {
    const count = all.filter((i) => zones.table.at("kind", i) === kind).length;
    const input = make("input");
    input.type = "checkbox";
    input.checked = true;
    kinds.set(kind, input);
    const label = make("label", "class", null, input, make("span", "name", null, isolated(Corridor.short(kind, 80))), make("span", "soft", count));
    byId("classes").append(label);
  }

  function asked() {
    return {
      words: byId("search").value,
      kinds: new Set([...kinds].filter(([, input]) => input.checked).map(([kind]) => kind)),
      force: byId("force").value,
      day: byId("day").value,
    };
  }

  function filter() {
    const question = asked();
    byId("day-label").hidden = question.force !== "day";
    byId("class-count").textContent = question.kinds.size + " of " + kinds.size;
    matching = zones.matching(question);
    byId("count").textContent = matching.length + " of " + zones.count + " zones";
    byId("list").replaceChildren();
    listed = 0;
    more();
    paint();
  }

  function more() {
    const list = byId("list");
    for (const i of matching.slice(listed, listed + PAGE)) list.append(make("li", "", null, entry(i)));
    listed = Math.min(listed + PAGE, matching.length);
    byId("more").hidden = listed >= matching.length;
    byId("more").textContent = "Show more (" + (matching.length - listed) + " left)";
  }

  function entry(i) {
    const button = make("button", zones.table.at("in_force", i) ? "" : "off");
    button.type = "button";
    button.dataset.zone = i;
    if (i === chosen) button.setAttribute("aria-current", "true");
    const force = zones.table.at("in_force", i) ? "" : ", not in force";
    button.append(
      make("span", "swatch " + zones.table.at("rule", i)),
      make("span", "", zones.text("zone", i) + "  ", isolated(Corridor.short(zones.names[i], 90))),
      make("small", "", null, isolated(Corridor.short(zones.table.at("kind", i), 60)), document.createTextNode(force))
    );
    button.addEventListener("click", () => choose(i, true));
    return button;
  }

  // --- map

  function paint() {
    const by = { avoid: [[], []], discourage: [[], []] };
    for (const i of matching) by[zones.table.at("rule", i)][zones.table.at("in_force", i) ? 0 : 1].push(i);
    const drawn = others.map((group) => ({ ...group, indices: group.shapes.chains.map((_, n) => n) }));
    const groups = drawn.filter((group) => !group.style.above);
    for (const rule of ["discourage", "avoid"]) {
      groups.push({ shapes, indices: by[rule][1], style: styleOf(rule, false) });
      groups.push({ shapes, indices: by[rule][0], style: styleOf(rule, true) });
    }
    canvas.show([...groups, ...drawn.filter((group) => group.style.above)]);
  }

  function choose(i, zoom) {
    chosen = i;
    for (const button of byId("list").querySelectorAll("[aria-current]")) button.removeAttribute("aria-current");
    const own = byId("list").querySelector('[data-zone="' + i + '"]');
    if (own) own.setAttribute("aria-current", "true");
    canvas.chosen = { shapes, indices: [i], style: { colour: Corridor.colour("ink"), width: 3 } };
    if (zoom) fit([i]);
    canvas.draw();
    detail(i);
  }

  function fit(indices) {
    const bounds = shapes.bounds(indices);
    if (bounds) map.fitBounds(bounds, { padding: [40, 40], maxZoom: 18, animate: false });
  }

  function whole() {
    const boxes = [shapes.bounds(matching.length ? matching : all), ...others.map((group) => group.shapes.bounds(group.shapes.chains.map((_, n) => n)))];
    const known = boxes.filter(Boolean);
    if (known.length) map.fitBounds(known.flat(), { padding: [20, 20], maxZoom: 18, animate: false });
  }

  function detail(i) {
    const box = byId("detail");
    const close = make("button", "close", "Close");
    close.type = "button";
    close.addEventListener("click", clear);
    const heading = make("h2", "", zones.text("zone", i) + "  ", isolated(zones.names[i]));
    const t = (column, places) => zones.text(column, i, places);
    const entries = [
      ["Id", t("id")],
      ["Layer", t("layer")],
      ["Class", t("kind")],
      ["Rule", look.words[zones.table.at("rule", i)]],
      ["In force", t("activity")],
      ["Season", t("season")],
      ["Valid", [t("valid_from"), t("valid_to")].filter(Boolean).join(" to ")],
      ["Buffer", t("buffer_m", 1) + " m = standoff " + t("standoff_m", 1) + " + position " + t("uncertainty_m", 1) + " + lay tolerance " + t("lay_tolerance_m", 1)],
      ["Area", fixed(zones.table.at("area_m2", i) / 10000, 3) + " ha"],
      ["Perimeter", t("perimeter_m", 1) + " m"],
      ["Legal basis", t("legal_basis") || "not stated"],
      ["Authority", t("authority") || "not stated"],
      ["Consent", zones.table.at("needs_consent", i) ? "only an authority can relax this limit" : ""],
      ["Source", [t("source_file"), t("source_table"), t("source_id"), t("source_date")].filter(Boolean).join(", ")],
      ...Object.entries(zones.attributes[i] || {}),
    ];
    const table = make("table", "facts");
    for (const [label, value] of entries) {
      if (value === "" || value === null || value === undefined) continue;
      table.append(make("tr", "", null, make("th", "", null, isolated(label)), make("td", "", null, isolated(value))));
    }
    box.replaceChildren(close, heading, table);
    box.hidden = false;
  }

  function clear() {
    chosen = null;
    canvas.chosen = null;
    byId("detail").hidden = true;
    canvas.draw();
  }

  map.on("click", (event) => {
    const place = map.project(event.latlng, 0).divideBy(256);
    const reach = 4 / (256 * Math.pow(2, map.getZoom()));
    const hit = matching.filter((i) => shapes.holds(i, place.x, place.y, reach));
    const size = (i) => (shapes.box[4 * i + 2] - shapes.box[4 * i]) * (shapes.box[4 * i + 3] - shapes.box[4 * i + 1]);
    if (hit.length) choose(hit.reduce((a, b) => (size(b) < size(a) ? b : a)), false);
    else clear();
  });

  map.on("mousemove", (event) => {
    const { lat, lng } = event.latlng;
    const middle = lattice.west + (lattice.step_lon * lattice.cols) / 2;
    const grid = lattice.at(lat, lng + 360 * Math.round((middle - lng) / 360));
    const degrees = Corridor.minutes(lat, "N", "S", 1e-5) + "  " + Corridor.minutes(Corridor.longitude(lng), "E", "W", 1e-5);
    byId("where").textContent = degrees + " WGS 84" + (grid ? "   E " + fixed(grid[0], 1) + "  N " + fixed(grid[1], 1) + "  " + about.crs : "");
  });

  // --- print

  function printed() {
    const columns = ["zone", "id", "kind", "rule", "in_force", "buffer_m", "area_m2", "authority", "legal_basis"];
    const some = matching.slice(0, PRINTED);
    const table = { rows: some.length, text: (name, row) => zones.text(name, some[row]) };
    const left = matching.length - some.length;
    const lines = [...about.cautions, ...(left ? [left + " further zones stand in zones_list.csv"] : [])];
    byId("printed").replaceChildren(
      make("h2", "", "Zones on this map: " + matching.length + " of " + zones.count),
      Corridor.gridTable(table, columns),
      ...lines.map((line) => make("p", "", line))
    );
  }

  let closed = [];
  window.addEventListener("beforeprint", () => {
    printed();
    // The page takes its printed size before the browser prints it, so that the map fills its frame.
    const bounds = map.getBounds();
    document.documentElement.classList.add("printing");
    closed = [...byId("tables").querySelectorAll("details:not([open])")];
    for (const box of closed) box.open = true;
    map.invalidateSize({ animate: false });
    map.fitBounds(bounds, { animate: false });
    canvas.draw();
  });
  window.addEventListener("afterprint", () => {
    document.documentElement.classList.remove("printing");
    for (const box of closed) box.open = false;
    map.invalidateSize({ animate: false });
  });

  // --- hands

  let waiting = 0;
  byId("search").addEventListener("input", () => {
    clearTimeout(waiting);
    waiting = setTimeout(filter, zones.count > 5000 ? 150 : 0);
  });
  byId("filters").addEventListener("change", (event) => {
    // The search field tells of its change when it loses focus: a new list then would swallow the click that took it.
    if (event.target !== byId("search")) filter();
  });
  byId("filters").addEventListener("submit", (event) => event.preventDefault());
  byId("filters").addEventListener("reset", () => setTimeout(() => {
    for (const input of kinds.values()) input.checked = true;
    filter();
  }, 0));
  byId("class-all").addEventListener("click", () => set(true));
  byId("class-none").addEventListener("click", () => set(false));
  byId("more").addEventListener("click", more);
  byId("whole").addEventListener("click", whole);
  byId("print").addEventListener("click", () => window.print());

  function set(wanted) {
    for (const input of kinds.values()) input.checked = wanted;
    filter();
  }

  byId("list").addEventListener("keydown", (event) => {
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!step) return;
    const buttons = [...byId("list").querySelectorAll("button")];
    const next = buttons[buttons.indexOf(document.activeElement) + step];
    if (next) next.focus();
    event.preventDefault();
  });

  document.addEventListener("keydown", (event) => {
    const typing = /^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName);
    if (event.key === "Escape") clear();
    else if (!typing && !event.ctrlKey && !event.metaKey && !event.altKey) {
      const act = { "/": () => byId("search").focus(), w: whole, p: () => window.print() }[event.key];
      if (act) {
        event.preventDefault();
        act();
      }
    }
  });

  filter();
  whole();
  canvas.addTo(map);
  document.documentElement.dataset.ready = "yes";
})();
