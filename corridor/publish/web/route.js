"use strict";
// The lines on the map: casing, IPs, crossings, spans, KP labels that thin out, the running marker.

(function () {
  const STEPS_KM = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200];
  const APART_PX = 78;

  const CORNERS = [[1, -1], [-1, 1], [1, 1], [-1, -1]];

  /** Box of a label at a corner of its point: [left, top, right, bottom] in pixels. */
  function corner(at, dx, dy, width) {
    const left = dx > 0 ? at.x + 7 : at.x - 7 - width;
    const top = dy < 0 ? at.y - 24 : at.y + 7;
    return [left, top, left + width, top + 18];
  }

  /** Spans of a stretch, neighbours nearer than `apart` km joined: {from, to, gravity, rows}. */
  function blocks(line, [from, to], apart) {
    const found = [];
    let last = null;
    for (const row of line.spanRows) {
      const start = line.spans.at("kp_start_km", row);
      const end = line.spans.at("kp_end_km", row);
      if (end < from || start > to) continue;
      const gravity = Corridor.GRAVITY.indexOf(line.spans.at("class", row));
      if (last && start - last.to < apart) {
        last.to = Math.max(last.to, end);
        last.gravity = Math.max(last.gravity, gravity);
        last.rows.push(row);
      } else found.push((last = { from: start, to: end, gravity, rows: [row] }));
    }
    return found;
  }

  Corridor.Route = class {
    constructor(map, lines, look) {
      this.map = map;
      this.lines = lines;
      this.look = look;
      this.current = 0;
      this.drawn = L.featureGroup().addTo(map);
      this.spans = L.layerGroup().addTo(map);
      this.points = L.layerGroup().addTo(map);
      this.labels = L.layerGroup().addTo(map);
      this.spanMarks = new Map();
      this.crossingMarks = new Map();
      this.cursor = new Corridor.Mark([0, 0], {
        shape: "dot", radius: 7, color: "#ffffff", weight: 3, fillColor: look.route, fillOpacity: 1, interactive: false,
      });
      map.on("moveend resize", () => this.refresh());
    }

    get line() {
      return this.lines[this.current];
    }

    colour(index) {
      return index === 0 ? this.look.route : this.look.others[(index - 1) % this.look.others.length];
    }

    choose(index) {
      this.current = index;
      this.draw();
    }

    draw() {
      this.drawn.clearLayers();
      this.crossingMarks.clear();
      this.lines.forEach((line, i) => i !== this.current && this.drawLine(line, i, false));
      this.drawLine(this.line, this.current, true);
      this.drawCrossings();
      this.refresh();
    }

    /** What depends on the view. */
    refresh() {
      if (!this.map.hasLayer(this.drawn)) return;
      this.drawSpans();
      this.drawPoints();
      this.label();
    }

    inView() {
      const bounds = this.map.getBounds();
      return this.line.within([bounds.getSouth(), bounds.getWest(), bounds.getNorth(), bounds.getEast()]);
    }

    drawLine(line, index, current) {
      const chain = line.latLngs();
      const dash = index === 0 ? null : "9 6";
      const options = { interactive: false, lineCap: "butt" };
      L.polyline(chain, { ...options, color: "#ffffff", weight: current ? 6.5 : 4.5, opacity: 0.85 }).addTo(this.drawn);
      const stroke = L.polyline(chain, {
        color: this.colour(index), weight: current ? 3.5 : 2.5, dashArray: dash, opacity: 1, lineCap: "butt",
      });
      stroke.bindTooltip(() => Corridor.make("span", "", Corridor.short(line.name)), { sticky: true });
      if (!current) stroke.on("click", () => Corridor.emit("choose", index));
      stroke.addTo(this.drawn);
    }

    /** Spans in view; those that would lie on one another at this scale as one block of the gravest verdict. */
    drawSpans() {
      this.spans.clearLayers();
      this.spanMarks.clear();
      const { line } = this;
      const seen = this.inView();
      if (!line.spans || !seen) return;
      const apart = 1.5 / Math.max(this.pixelsPerKm(seen), 1e-9);
      for (const block of blocks(line, seen, apart)) {
        const colour = this.look.verdicts[Corridor.GRAVITY[block.gravity]];
        const chain = line.between(block.from, Math.max(block.to, block.from + apart));
        const mark = L.polyline(chain, { color: colour, weight: 8, opacity: 0.95, lineCap: "butt" });
        if (block.rows.length === 1) {
          mark.bindPopup(() => Corridor.spanPopup(line, block.rows[0]), { maxWidth: 340, maxHeight: 400 });
          this.spanMarks.set(block.rows[0], mark);
        } else {
          mark.bindTooltip(() => Corridor.make("span", "", block.rows.length + " spans; click to look closer"), { sticky: true });
          mark.on("click", () => Corridor.emit("closer", [block.from, block.to]));
        }
        mark.addTo(this.spans);
      }
    }

    drawCrossings() {
      const crossings = this.line.crossings;
      if (!crossings) return;
      for (let i = 0; i < crossings.rows; i++) {
        const ok = crossings.at("ok", i);
        const mark = new Corridor.Mark(this.line.at(crossings.at("kp_km", i)), {
          shape: "square", radius: 7, color: ok ? "#ffffff" : this.look.verdicts.bad, weight: ok ? 2 : 3.5,
          fillColor: this.look.rules.cross, fillOpacity: 1,
        });
        mark.bindPopup(() => Corridor.crossingPopup(this.line, i), { maxWidth: 340, maxHeight: 400 });
        mark.addTo(this.drawn);
        this.crossingMarks.set(i, mark);
      }
    }

    pointAt(i) {
      return [this.line.points.at("latitude_deg", i), this.near(this.line.points.at("longitude_deg", i))];
    }

    /** START and END, and the IPs that do not lie on the one before at this scale. */
    drawPoints() {
      this.points.clearLayers();
      const points = this.line.points;
      const finish = this.map.latLngToContainerPoint(this.pointAt(points.rows - 1));
      let before = null;
      for (let i = 0; i < points.rows; i++) {
        const end = points.at("radius_m", i) === null;
        const at = this.map.latLngToContainerPoint(this.pointAt(i));
        if (!end && (at.distanceTo(before) < 13 || at.distanceTo(finish) < 13)) continue;
        before = at;
        const mark = new Corridor.Mark(this.pointAt(i), {
          shape: end ? "dot" : "diamond", radius: end ? 6 : 5, color: this.colour(this.current), weight: 2,
          fillColor: "#ffffff", fillOpacity: 1,
        });
        mark.bindPopup(() => Corridor.pointPopup(this.line, i), { maxWidth: 340, maxHeight: 400 });
        mark.addTo(this.points);
      }
    }

    near(lon) {
      const reference = this.line.lon[0];
      return reference + ((((lon - reference + 180) % 360) + 360) % 360) - 180;
    }

    /** Labels that find room: ends, then IPs and KPs; where IPs abound, KPs come first. */
    label() {
      this.labels.clearLayers();
      const taken = [];
      const points = this.line.points;
      const view = this.map.getSize();
      const place = (latLng, words, name) => {
        const at = this.map.latLngToContainerPoint(latLng);
        if (at.x < -20 || at.y < -20 || at.x > view.x + 20 || at.y > view.y + 20) return;
        const width = 7.4 * words.length + 10;
        const free = CORNERS.find(([dx, dy]) => {
          const box = corner(at, dx, dy, width);
          const inside = box[0] >= 0 && box[1] >= 0 && box[2] <= view.x && box[3] <= view.y;
          return inside && !taken.some((b) => box[0] < b[2] && box[2] > b[0] && box[1] < b[3] && box[3] > b[1]);
        });
        if (!free) return;
        taken.push(corner(at, ...free, width));
        const text = Corridor.make("span", name, words);
        text.style.width = width + "px";
        const [left, top] = corner(at, ...free, width);
        const icon = L.divIcon({ html: text, className: "label", iconSize: [0, 0], iconAnchor: [at.x - left, at.y - top] });
        L.marker(latLng, { icon, interactive: false, keyboard: false }).addTo(this.labels);
      };
      const bounds = this.map.getBounds();
      const inner = [];
      for (let i = 1; i < points.rows - 1; i++) if (bounds.contains(this.pointAt(i))) inner.push(i);
      // No label on another point's mark: it would be read as that point's name.
      const few = inner.length > 25 ? [] : inner;
      for (const i of [0, ...few, points.rows - 1]) {
        const at = this.map.latLngToContainerPoint(this.pointAt(i));
        taken.push([at.x - 6, at.y - 6, at.x + 6, at.y + 6]);
      }
      const ips = (rows) => rows.forEach((i) => place(this.pointAt(i), points.text("point", i), "ip"));
      ips([0, points.rows - 1]);
      if (inner.length > 25) this.labelKps(place);
      ips(inner);
      if (inner.length <= 25) this.labelKps(place);
    }

    labelKps(place) {
      const seen = this.inView();
      if (!seen) return;
      const step = STEPS_KM.find((km) => km * this.pixelsPerKm(seen) >= APART_PX) || 500;
      const places = step < 0.1 ? 2 : step < 1 ? 1 : 0;
      for (let n = Math.ceil(seen[0] / step - 1e-9); n * step <= seen[1] + 1e-9; n++) {
        const latLng = this.line.at(n * step);
        if (n === 0) continue;
        const dot = new Corridor.Mark(latLng, {
          shape: "dot", radius: 2.5, color: "#1d1f24", weight: 1, fillColor: "#ffffff", fillOpacity: 1, interactive: false,
        });
        dot.addTo(this.labels);
        place(latLng, "KP " + (n * step).toFixed(places), "kp");
      }
    }

    pixelsPerKm([from, to]) {
      const middle = (from + to) / 2;
      const reach = Math.max((to - from) / 50, 1e-5);
      const a = this.map.latLngToContainerPoint(this.line.at(middle - reach));
      const b = this.map.latLngToContainerPoint(this.line.at(middle + reach));
      return a.distanceTo(b) / (Math.min(middle + reach, this.line.length) - Math.max(middle - reach, 0));
    }

    mark(kp) {
      if (kp === null) {
        this.cursor.remove();
        return;
      }
      this.cursor.setLatLng(this.line.at(kp));
      if (!this.map.hasLayer(this.cursor)) this.cursor.addTo(this.map);
      this.cursor.setStyle({ fillColor: this.colour(this.current) }).bringToFront();
    }

    bounds(from, to) {
      return L.latLngBounds(this.line.between(from, to));
    }
  };
})();
