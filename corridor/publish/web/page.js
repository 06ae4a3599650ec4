"use strict";
// The page: reads the data, builds the parts, and lets map and profile follow each other.

(function () {
  const { byId, make, fixed, kp } = Corridor;
  const map = map_corridor;
  const summary = Corridor.island("summary");
  const look = Corridor.island("look");
  const picture = Corridor.island("picture");
  const reference = (picture.overview.box[1] + picture.overview.box[3]) / 2;
  const near = (lon) => reference + ((((lon - reference + 180) % 360) + 360) % 360) - 180;
  const lines = Corridor.island("lines").map((packed) => new Corridor.Line(packed, near));
  const grid = Corridor.island("grid");
  const lattice = new Corridor.Lattice(grid);
  Corridor.latticeError = Math.max(grid.error_m, 0.001);
  let linked = true;
  let quiet = 0; // moves of the map that the page itself has asked for

  document.body.classList.toggle("with-panel", window.innerWidth >= 1100);
  map.invalidateSize({ animate: false });
  map.fitBounds(L.latLngBounds(lines[0].latLngs()), { animate: false, padding: [24, 24] });
  map.zoomControl.setPosition("topleft");
  L.control.scale({ imperial: false, maxWidth: 160, position: "bottomleft" }).addTo(map);
  const seabed = new Corridor.Seabed(map, picture, near);
  const layers = new Corridor.Layers(map, Corridor.island("layers"), look, near);
  const route = new Corridor.Route(map, lines, look);
  const profile = new Corridor.Profile(byId("chart"), look);
  const panel = new Corridor.Panel(byId("panel"), summary, layers, seabed, look, route);
  const measure = new Corridor.Measure(map, lattice);
  Corridor.parts = { map, lines, lattice, route, profile, measure, summary };

  function heading() {
    document.title = summary.project + ", revision " + summary.revision;
    byId("title").textContent = Corridor.short(summary.project, 80);
    byId("title").title = Corridor.short(summary.project, 300);
    byId("caution").textContent = summary.cautions[0];
    lines.forEach((line, i) => {
      const option = make("option", "", Corridor.short(line.name, 40));
      option.value = String(i);
      byId("line").append(option);
    });
    byId("line-pick").hidden = lines.length < 2;
  }

  /** Length, bends and checks of the line shown, which is not always the first. */
  function told(line) {
    const name = lines.length > 1 ? Corridor.short(line.name, 30) : "Revision " + Corridor.short(summary.revision, 20);
    const bends = line.points.rows - 2;
    byId("subtitle").textContent = name + " \u00b7 " + fixed(line.length, 3) + " km \u00b7 " + bends + (bends === 1 ? " bend" : " bends");
    const broken = (line.summary || summary).checks.filter((check) => !check.ok).length;
    const verdict = broken ? "\u2717 " + broken + (broken > 1 ? " checks broken" : " check broken") : "\u2713 all checks hold";
    byId("status").textContent = line.assessed ? verdict : "not assessed";
    byId("status").classList.toggle("bad", !line.assessed || broken > 0);
  }

  function choose(index) {
    const [from, to] = profile.line ? profile.range : [0, Infinity];
    route.choose(index);
    profile.use(route.line, route.colour(index));
    if (Number.isFinite(to)) profile.setRange(from, to);
    panel.build(route.line);
    told(route.line);
    byId("line").value = String(index);
    byId("jump-list").replaceChildren(...Corridor.proposals(route.line));
    chartKey(route.line);
    cursor(null);
  }

  function chartKey(line) {
    const entry = (name, words) => make("span", "entry", null, make("span", "swatch " + name), make("span", "", words));
    const entries = [entry("seabed", "seabed")];
    if (profile.pipe) entries.push(entry("pipe", "pipe underside"), entry("gap", "gap"));
    if (line.limits) {
      const edges = ["\u2264 50 %", "\u2264 80 %", "\u2264 100 %", "> limit"];
      look.slopes.forEach((colour, i) => {
        const item = entry("block", edges[i]);
        item.firstChild.style.setProperty("--c", colour);
        if (i === 0) item.prepend(make("span", "lead", "slope of its limit:"));
        entries.push(item);
      });
    }
    byId("chart-key").replaceChildren(...entries);
  }

  /** Everything known at a KP, at the profile's nearest row. */
  function reading(at) {
    const line = route.line;
    const row = profile.row(at);
    const p = line.profile;
    const words = [kp(p.at("kp_km", row)), "depth " + (p.text("depth_m", row, 2) || "none") + " m"];
    if (profile.pipe) {
      const raw = p.columns.depth_m.raw[row] + p.columns.pipe_minus_seabed_m.raw[row];
      words.push("pipe " + fixed(raw / p.columns.depth_m.scale, 2) + " m", "gap " + p.text("gap_m", row, 2) + " m");
    }
    if (line.chainage) {
      if (!line.chainageKps) line.chainageKps = line.chainage.columns.kp_km.values();
      const near = Math.max(Corridor.upper(line.chainageKps, at) - 1, 0);
      const along = line.chainage.text("slope_along_deg", near, 1);
      const across = line.chainage.text("slope_across_deg", near, 1);
      if (along && across) words.push("slope along " + along + "\u00b0, across " + across + "\u00b0 (KP " + line.chainage.text("kp_km", near, 1) + ")");
    }
    for (const i of line.spanRows) {
      const inside = line.spans.at("kp_start_km", i) <= at && at <= line.spans.at("kp_end_km", i);
      if (inside) words.push("span " + line.spans.text("span", i) + ": " + line.spans.text("verdict", i));
    }
    return words.join("  \u00b7  ");
  }

  function cursor(at) {
    route.mark(at);
    profile.setCursor(at);
    byId("read").textContent = at === null ? "" : reading(at);
  }

  function whole() {
    profile.setRange(0, route.line.length);
    fit(L.latLngBounds(route.line.latLngs()));
  }

  /** Move the map without the profile following back. */
  function fit(bounds) {
    quiet++;
    map.fitBounds(bounds, { animate: false, padding: [24, 24] });
    quiet--;
  }

  function follow() {
    if (quiet || !linked) return;
    const view = map.getBounds();
    const seen = route.line.within([view.getSouth(), view.getWest(), view.getNorth(), view.getEast()]);
    if (seen) profile.setRange(seen[0], seen[1]);
  }

  function lead() {
    if (linked) fit(route.bounds(...profile.range));
  }

  function jump(target) {
    const line = route.line;
    const span = Math.min(Math.max(profile.range[1] - profile.range[0], 0.05), 1.0, line.length);
    profile.setRange(target.kp - span / 2, target.kp + span / 2);
    fit(route.bounds(...profile.range));
    cursor(target.kp);
    const mark = target.kind === "span" ? route.spanMarks.get(target.row) : target.kind === "crossing" ? route.crossingMarks.get(target.row) : null;
    if (mark) mark.openPopup(line.at(target.kp));
    else map.closePopup();
  }

  function step(direction) {
    const stops = Corridor.stops(route.line);
    const at = profile.cursor === null ? (direction > 0 ? -1 : Infinity) : profile.cursor;
    const next = direction > 0 ? stops.find((stop) => stop.kp > at + 1e-6) : stops.filter((stop) => stop.kp < at - 1e-6).pop();
    if (next) jump(next);
  }

  function pressed(id, value) {
    byId(id).setAttribute("aria-pressed", String(value));
  }

  function link() {
    linked = !linked;
    pressed("tool-link", linked);
    byId("tool-link").textContent = linked ? "Linked" : "Not linked";
    follow();
  }

  function details(wanted) {
    const open = document.body.classList.toggle("with-panel", wanted);
    pressed("tool-panel", open);
    quiet++;
    map.invalidateSize({ animate: false });
    quiet--;
  }

  map.on("moveend", follow);
  map.on("mousemove", (event) => {
    const { lat, lng } = event.latlng;
    const place = lattice.at(lat, lng);
    const foot = route.line.nearest(lat, lng);
    const words = [];
    if (place) words.push("E " + fixed(place[0], 1) + "  N " + fixed(place[1], 1) + " (" + summary.crs + ")");
    words.push(Corridor.degrees(lat, "N", "S") + "  " + Corridor.degrees(Corridor.longitude(lng), "E", "W"));
    const there = lattice.at(foot.lat, foot.lon);
    if (place && there) {
      const offset = Math.hypot(place[0] - there[0], place[1] - there[1]);
      words.push(kp(foot.kp) + ", " + fixed(offset, 1) + " m " + (foot.side < 0 ? "left" : "right"));
    }
    byId("where").textContent = words.join("  \u00b7  ");
    const far = map.latLngToContainerPoint([foot.lat, foot.lon]).distanceTo(event.containerPoint);
    if (far < 24) cursor(foot.kp);
  });
  Corridor.on("layer", ({ layer, on }) => layers.show(layer, on));
  Corridor.on("choose", choose);
  Corridor.on("closer", ([from, to]) => {
    profile.setRange(from, to);
    fit(route.bounds(...profile.range));
  });
  Corridor.on("jump", jump);
  Corridor.on("theme", () => profile.redraw());
  Corridor.hands(profile, { cursor, lead });

  byId("line").addEventListener("change", (event) => choose(Number(event.target.value)));
  byId("jump").addEventListener("submit", (event) => {
    event.preventDefault();
    const target = Corridor.find(route.line, byId("jump-to").value);
    byId("jump-to").setCustomValidity(target ? "" : "Not on this line");
    byId("jump-to").reportValidity();
    if (target) jump(target);
  });
  byId("jump-to").addEventListener("input", (event) => event.target.setCustomValidity(""));
  const theme = () => Corridor.theme(document.documentElement.dataset.theme === "dark" ? "light" : "dark");
  const actions = {
    "tool-whole": whole, "tool-measure": () => measure.toggle(), "tool-link": link, "tool-panel": () => details(),
    "tool-theme": theme, "tool-print": Corridor.print, "tool-help": () => byId("help").showModal(),
  };
  for (const [id, run] of Object.entries(actions)) byId(id).addEventListener("click", run);
  Corridor.keys({
    g: () => byId("jump-to").focus(), w: whole, m: () => measure.toggle(), l: link, d: () => details(), t: theme,
    p: Corridor.print, n: () => step(1), b: () => step(-1), "?": () => byId("help").showModal(),
    Escape: () => { measure.toggle(false); map.closePopup(); },
  });
  Corridor.split(byId("split"), () => map.invalidateSize({ animate: false }));
  const resized = () => { quiet++; map.invalidateSize({ animate: false }); quiet--; };
  Corridor.printing({ panel: byId("panel"), resized, refit: () => fit(route.bounds(...profile.range)), redraw: () => profile.draw() });

  heading();
  Corridor.theme(document.documentElement.dataset.theme);
  pressed("tool-panel", document.body.classList.contains("with-panel"));
  choose(0);
  document.documentElement.dataset.ready = "yes";
})();
