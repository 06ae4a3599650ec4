"use strict";
// Go to, measure, theme, print, keys.

(function () {
  const { byId, make, fixed } = Corridor;

  /** "KP 12.5", "12.5", "IP3", "span 4", a crossing's name -> {kp, kind, row} or null. */
  Corridor.find = function (line, words) {
    const text = words.trim().toLowerCase();
    const number = /^(?:kp\s*)?(\d+(?:[.,]\d+)?)$/.exec(text);
    if (number) {
      const kp = Number(number[1].replace(",", "."));
      return kp <= line.length ? { kp } : null;
    }
    const points = line.points;
    for (let i = 0; i < points.rows; i++) {
      if (points.text("point", i).toLowerCase() === text.replace(/\s+/g, "")) {
        return { kp: (points.at("kp_in_km", i) + points.at("kp_out_km", i)) / 2, kind: "point", row: i };
      }
    }
    const span = /^span\s*(\d+)$/.exec(text);
    const spans = line.spans;
    for (let i = 0; span && spans && i < spans.rows; i++) {
      if (spans.at("governs", i) && spans.text("span", i) === span[1]) {
        return { kp: spans.at("kp_start_km", i), kind: "span", row: i };
      }
    }
    const crossings = line.crossings;
    for (let i = 0; text && crossings && i < crossings.rows; i++) {
      if (Corridor.crossingLabel(crossings, i).toLowerCase().includes(text)) {
        return { kp: crossings.at("kp_km", i), kind: "crossing", row: i };
      }
    }
    return null;
  };

  Corridor.crossingLabel = (table, i) =>
    Corridor.short(table.text("layer", i), 30) + ": " + Corridor.short(table.at("feature", i), 40) + " (KP " + table.text("kp_km", i, 3) + ")";

  /** What the go-to field proposes. */
  Corridor.proposals = function (line) {
    const list = [];
    for (let i = 0; i < line.points.rows; i++) list.push(line.points.text("point", i));
    for (let i = 0; line.crossings && i < Math.min(line.crossings.rows, 300); i++) list.push(Corridor.crossingLabel(line.crossings, i));
    for (let i = 0; line.spans && i < line.spans.rows && list.length < 900; i++) {
      if (line.spans.at("governs", i)) list.push("span " + line.spans.text("span", i));
    }
    return list.map((words) => {
      const option = make("option");
      option.value = words;
      return option;
    });
  };

  /** Places worth a stop: crossings and spans, in order of KP. */
  Corridor.stops = function (line) {
    const stops = [];
    for (let i = 0; line.crossings && i < line.crossings.rows; i++) stops.push({ kp: line.crossings.at("kp_km", i), kind: "crossing", row: i });
    for (let i = 0; line.spans && i < line.spans.rows; i++) {
      if (line.spans.at("governs", i)) stops.push({ kp: line.spans.at("kp_start_km", i), kind: "span", row: i });
    }
    return stops.sort((a, b) => a.kp - b.kp);
  };

  Corridor.Measure = class {
    constructor(map, lattice) {
      this.map = map;
      this.lattice = lattice;
      this.places = [];
      this.drawn = L.layerGroup().addTo(map);
      // Before Leaflet sees the click, so that no popup opens while measuring; a drag is not a click.
      const holder = map.getContainer();
      let down = null;
      holder.addEventListener("pointerdown", (event) => (down = event), true);
      holder.addEventListener("click", (event) => {
        const control = event.target.closest && event.target.closest(".leaflet-control");
        if (!this.on || control) return;
        event.stopPropagation();
        const moved = down ? Math.hypot(event.clientX - down.clientX, event.clientY - down.clientY) : 0;
        if (moved < 6) this.add(map.mouseEventToLatLng(event));
      }, true);
      map.on("mousemove", (event) => this.on && this.places.length && this.show(event.latlng));
    }

    toggle(wanted = !this.on) {
      this.on = wanted;
      this.places = [];
      this.drawn.clearLayers();
      this.map.getContainer().classList.toggle("measuring", wanted);
      byId("tool-measure").setAttribute("aria-pressed", String(wanted));
      byId("measured").textContent = wanted ? "Click on the map to measure; Escape ends" : "";
    }

    add(place) {
      this.places.push(place);
      this.show(place);
    }

    show(pointer) {
      const chain = [...this.places, pointer];
      this.drawn.clearLayers();
      const look = { color: Corridor.colour("measure"), weight: 2.5, dashArray: "6 4", interactive: false };
      L.polyline(chain, look).addTo(this.drawn);
      for (const place of this.places) L.circleMarker(place, { ...look, radius: 4, dashArray: null, fillOpacity: 1 }).addTo(this.drawn);
      const legs = chain.slice(1).map((place, i) => this.leg(chain[i], place));
      const total = legs.reduce((sum, leg) => sum + leg.length, 0);
      const last = legs.length > 1 && legs[legs.length - 1].length === 0 ? legs[legs.length - 2] : legs[legs.length - 1];
      const bearing = last.bearing === null ? "" : ", bearing " + fixed(last.bearing, 1) + "\u00b0 grid";
      byId("measured").textContent = "Leg " + fixed(last.length, 1) + " m" + bearing + "; total " + fixed(total, 1) + " m" + last.note;
    }

    leg(from, to) {
      const a = this.lattice.at(from.lat, from.lng);
      const b = this.lattice.at(to.lat, to.lng);
      if (!a || !b) return { length: this.map.distance(from, to), bearing: null, note: " (on the sphere)" };
      const east = b[0] - a[0];
      const north = b[1] - a[1];
      const bearing = ((Math.atan2(east, north) * 180) / Math.PI + 360) % 360;
      return { length: Math.hypot(east, north), bearing, note: " on the grid" };
    }
  };

  Corridor.theme = function (name) {
    document.documentElement.dataset.theme = name;
    byId("tool-theme").textContent = name === "dark" ? "Light" : "Dark";
    Corridor.emit("theme", name);
  };

  /**
   * Printing: everything open, map and chart drawn at the size they have on paper before the browser takes the
   * page. The browser does not wait for anything once it has said that it prints (its own menu and Ctrl+P say
   * no more than that), so all of this happens at once, without a frame in between. Paper is light and fine
   * whatever the screen is.
   */
  Corridor.printing = function ({ panel, resized, refit, redraw }) {
    const root = document.documentElement.dataset;
    const fine = L.Browser.retina;
    Corridor.forPrint = function (wanted) {
      if (document.body.classList.contains("for-print") === wanted) return;
      document.body.classList.toggle("for-print", wanted);
      if (wanted) root.screenTheme = root.theme;
      root.theme = wanted ? "light" : root.screenTheme;
      L.Browser.retina = wanted || fine;
      for (const box of panel.children) {
        if (wanted) box.dataset.was = String(box.open);
        box.open = wanted || box.dataset.was === "true";
      }
      resized();
      refit();
      refit(); // marks that the first has brought into view
      redraw();
    };
    Corridor.print = () => window.print();
    window.addEventListener("beforeprint", () => Corridor.forPrint(true));
    window.addEventListener("afterprint", () => Corridor.forPrint(false));
  };

  /** Drag or arrow keys on the bar between map and profile change the profile's height. */
  Corridor.split = function (bar, resized) {
    const set = (height) => {
      const most = window.innerHeight * 0.7;
      document.documentElement.style.setProperty("--profile", Math.min(Math.max(height, 120), most) + "px");
      resized();
    };
    const height = () => bar.parentElement.getBoundingClientRect().height;
    bar.addEventListener("pointerdown", (down) => {
      const start = height();
      bar.setPointerCapture(down.pointerId);
      const move = (event) => set(start + down.clientY - event.clientY);
      bar.addEventListener("pointermove", move);
      bar.addEventListener("pointerup", () => bar.removeEventListener("pointermove", move), { once: true });
    });
    bar.addEventListener("keydown", (event) => {
      const step = { ArrowUp: 24, ArrowDown: -24 }[event.key];
      if (step) set(height() + step);
    });
  };

  Corridor.keys = function (actions) {
    document.addEventListener("keydown", (event) => {
      const typing = /^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName);
      if (event.key === "Escape") actions.Escape();
      else if (!typing && !event.ctrlKey && !event.metaKey && !event.altKey && actions[event.key]) {
        event.preventDefault();
        actions[event.key]();
      }
    });
  };
})();
