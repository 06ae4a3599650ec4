"use strict";
// The seabed profile under the map: seabed, pipe, gaps, and strips for slope, spans, bends, discouraged ground.

(function () {
  const LEFT = 92;
  const RIGHT = 14;
  const TOP = 20;
  const AXIS = 20;
  const STRIP = 11;
  const APART = 3;

  Corridor.Profile = class {
    constructor(canvas, look) {
      this.canvas = canvas;
      this.look = look;
      this.cursor = null;
      this.waiting = false;
      new ResizeObserver(() => this.redraw()).observe(canvas.parentElement);
    }

    /** Show a line; keeps the range where the new line has it. */
    use(line, colour) {
      this.line = line;
      this.colour = colour;
      const profile = line.profile;
      this.kp = profile.columns.kp_km.values();
      this.depth = profile.columns.depth_m.values();
      this.seabedSpan = new Corridor.Extremes(this.depth);
      this.pipe = null;
      this.gapSpan = null;
      this.deepestGap = 0;
      if (profile.has("gap_m")) {
        const gap = profile.columns.gap_m;
        this.gapSpan = new Corridor.Extremes(gap.values());
        this.deepestGap = Math.max(this.gapSpan.over(0, profile.rows)[1], 0);
      }
      if (profile.has("pipe_minus_seabed_m")) {
        this.pipe = profile.columns.pipe_minus_seabed_m.values();
        for (let i = 0; i < this.pipe.length; i++) this.pipe[i] += this.depth[i];
        this.pipeSpan = new Corridor.Extremes(this.pipe);
      }
      this.range = [0, line.length];
      this.redraw();
    }

    setRange(from, to) {
      const least = Math.min(0.02, this.line.length);
      const span = Math.min(Math.max(to - from, least), this.line.length);
      const middle = (from + to) / 2;
      const start = Math.min(Math.max(middle - span / 2, 0), this.line.length - span);
      this.range = [start, start + span];
      this.redraw();
    }

    setCursor(kp) {
      this.cursor = kp;
      this.redraw();
    }

    redraw() {
      if (this.waiting) return;
      this.waiting = true;
      requestAnimationFrame(() => {
        this.waiting = false;
        this.draw();
      });
    }

    x(kp) {
      return LEFT + ((kp - this.range[0]) / (this.range[1] - this.range[0])) * this.width;
    }

    kpAt(x) {
      const kp = this.range[0] + ((x - LEFT) / this.width) * (this.range[1] - this.range[0]);
      return Math.min(Math.max(kp, 0), this.line.length);
    }

    y(depth) {
      return TOP + ((depth - this.shallow) / (this.deep - this.shallow)) * this.height;
    }

    /** Row of the profile at or nearest to a KP. */
    row(kp) {
      const i = Corridor.upper(this.kp, kp);
      if (i === 0) return 0;
      if (i === this.kp.length) return i - 1;
      return kp - this.kp[i - 1] <= this.kp[i] - kp ? i - 1 : i;
    }

    draw() {
      if (!this.line) return;
      const box = this.canvas.parentElement.getBoundingClientRect();
      const ratio = Math.min(window.devicePixelRatio || 1, 2);
      this.canvas.width = Math.round(box.width * ratio);
      this.canvas.height = Math.round(box.height * ratio);
      const context = this.canvas.getContext("2d");
      context.setTransform(ratio, 0, 0, ratio, 0, 0);
      context.font = "11px system-ui, sans-serif";
      this.ink = Corridor.ink();
      this.strips = this.stripList();
      this.width = Math.max(box.width - LEFT - RIGHT, 10);
      this.height = Math.max(box.height - TOP - AXIS - this.stripHeight() - 4, 20);
      context.fillStyle = this.ink.paper;
      context.fillRect(0, 0, box.width, box.height);
      this.depthRange();
      this.drawGround(context);
      this.drawAxes(context);
      this.drawCrossings(context);
      this.drawStrips(context);
      this.drawCursor(context);
    }

    depthRange() {
      const [from, to] = this.range;
      const first = Math.max(Corridor.upper(this.kp, from) - 1, 0);
      const last = Math.min(Corridor.upper(this.kp, to) + 1, this.kp.length);
      let [low, high] = this.seabedSpan.over(first, last);
      if (this.pipe) {
        const [top, bottom] = this.pipeSpan.over(first, last);
        low = Math.min(low, top);
        high = Math.max(high, bottom);
      }
      if (!(low <= high)) [low, high] = [0, 1];
      const pad = Math.max((high - low) * 0.08, 0.5);
      this.shallow = low - pad;
      this.deep = high + pad;
    }

    /** Extremes per pixel column of a series, or its rows where they are sparse. */
    trace(values, extremes) {
      const [from, to] = this.range;
      const first = Math.max(Corridor.upper(this.kp, from) - 1, 0);
      const last = Math.min(Corridor.upper(this.kp, to) + 1, this.kp.length);
      const points = [];
      if (last - first <= 3 * this.width) {
        for (let i = first; i < last; i++) points.push([this.x(this.kp[i]), values[i], values[i]]);
        return points;
      }
      let start = first;
      for (let pixel = 0; pixel < this.width; pixel++) {
        const end = Math.min(Corridor.upper(this.kp, this.kpAt(LEFT + pixel + 1)), last);
        if (end <= start) continue;
        const [low, high] = extremes.over(start, end);
        points.push([LEFT + pixel + 0.5, low <= high ? low : NaN, low <= high ? high : NaN]);
        start = end;
      }
      return points;
    }

    drawGround(context) {
      const bottom = TOP + this.height;
      const seabed = this.trace(this.depth, this.seabedSpan);
      context.save();
      context.beginPath();
      context.rect(LEFT, TOP, this.width, this.height);
      context.clip();
      context.fillStyle = this.ink.water;
      context.fillRect(LEFT, TOP, this.width, this.height);
      if (this.pipe) {
        // Water between pipe and seabed is a gap: fill below the pipe, then cover with the seabed.
        context.fillStyle = this.ink.gap;
        this.area(context, this.trace(this.pipe, this.pipeSpan), bottom);
      }
      context.fillStyle = this.ink.seabed;
      this.area(context, seabed, bottom);
      this.stroke(context, seabed, this.ink.seabed_edge, 1.25);
      if (this.pipe) this.stroke(context, this.trace(this.pipe, this.pipeSpan), this.ink.pipe, 1.75);
      context.restore();
    }

    /** Fill from a series down to the bottom, each run without holes by itself. */
    area(context, points, bottom) {
      for (const run of runs(points)) {
        context.beginPath();
        context.moveTo(run[0][0], bottom);
        for (const [x, low] of run) context.lineTo(x, this.y(low));
        context.lineTo(run[run.length - 1][0], bottom);
        context.closePath();
        context.fill();
      }
    }

    stroke(context, points, colour, width) {
      context.strokeStyle = colour;
      context.lineWidth = width;
      context.lineJoin = "round";
      for (const run of runs(points)) {
        context.beginPath();
        for (const [x, low, high] of run) {
          context.lineTo(x, this.y(low));
          if (high !== low) context.lineTo(x, this.y(high));
        }
        context.stroke();
      }
    }

    drawAxes(context) {
      const { ink } = this;
      context.strokeStyle = ink.line;
      context.fillStyle = ink.soft;
      context.lineWidth = 1;
      context.textBaseline = "middle";
      context.textAlign = "right";
      const step = Corridor.step(this.deep - this.shallow, this.height / 34);
      for (let depth = Math.ceil(this.shallow / step) * step; depth < this.deep; depth += step) {
        const y = Math.round(this.y(depth)) + 0.5;
        context.globalAlpha = 0.5;
        line(context, LEFT, y, LEFT + this.width, y);
        context.globalAlpha = 1;
        context.fillText(Corridor.fixed(depth, Corridor.placesOf(step)), LEFT - 6, y);
      }
      context.textAlign = "left";
      context.fillText("Depth, m", 6, 9);
      context.strokeRect(LEFT + 0.5, TOP + 0.5, this.width - 1, this.height - 1);
      this.drawKpAxis(context);
    }

    drawKpAxis(context) {
      const y = TOP + this.height;
      const step = Corridor.step(this.range[1] - this.range[0], this.width / 80);
      context.textAlign = "center";
      context.fillStyle = this.ink.soft;
      for (let n = Math.ceil(this.range[0] / step - 1e-9); n * step <= this.range[1] + 1e-9; n++) {
        const x = Math.round(this.x(n * step)) + 0.5;
        line(context, x, y, x, y + 4);
        const text = (n * step).toFixed(Corridor.placesOf(step));
        const half = context.measureText(text).width / 2;
        if (x - half > LEFT - 4 && x + half < LEFT + this.width + RIGHT) context.fillText(text, x, y + 12);
      }
      context.textAlign = "right";
      context.fillText("KP", LEFT - 6, y + 12);
    }

    drawCrossings(context) {
      const crossings = this.line.crossings;
      if (!crossings) return;
      const colour = this.look.rules.cross;
      context.textAlign = "left";
      for (let i = 0; i < crossings.rows; i++) {
        const x = Math.round(this.x(crossings.at("kp_km", i))) + 0.5;
        const next = i + 1 < crossings.rows ? this.x(crossings.at("kp_km", i + 1)) : Infinity;
        if (x < LEFT || x > LEFT + this.width) continue;
        context.strokeStyle = Corridor.colour("cross-ink") || colour;
        context.setLineDash([4, 3]);
        line(context, x, TOP, x, TOP + this.height);
        context.setLineDash([]);
        context.fillStyle = crossings.at("ok", i) ? colour : this.look.verdicts.bad;
        context.fillRect(x - 4, TOP - 9, 8, 8);
        const room = Math.min(next - 8, LEFT + this.width + RIGHT) - x - 7;
        context.fillStyle = this.ink.ink;
        context.fillText(fitting(context, crossings.at("feature", i), room), x + 7, TOP - 5);
      }
    }

    stripHeight() {
      return this.strips.reduce((sum, strip) => sum + strip.size + APART, 0);
    }

    drawStrips(context) {
      let y = TOP + this.height + AXIS + APART;
      for (const strip of this.strips) {
        context.textAlign = "right";
        context.textBaseline = "middle";
        context.fillStyle = this.ink.soft;
        context.fillText(strip.label, LEFT - 6, y + strip.size / 2);
        context.fillStyle = this.ink.line;
        context.globalAlpha = 0.35;
        context.fillRect(LEFT, y, this.width, strip.size);
        context.globalAlpha = 1;
        if (strip.gaps) this.drawGaps(context, y, strip.size);
        context.save();
        context.beginPath();
        context.rect(LEFT, y, this.width, STRIP);
        context.clip();
        if (strip.colours) this.paintRanks(context, strip, y);
        else this.paintPieces(context, strip, y);
        context.restore();
        y += strip.size + APART;
      }
    }

    paintPieces(context, strip, y) {
      for (const [from, to, colour, part] of strip.pieces) {
        if (to < this.range[0] || from > this.range[1]) continue;
        const a = this.x(from);
        context.fillStyle = colour;
        const [top, size] = part || [0, 1];
        context.fillRect(a, y + top * STRIP, Math.max(this.x(to) - a, 1.5), size * STRIP);
      }
    }

    /** The highest rank under each pixel, in runs of one colour. */
    paintRanks(context, strip, y) {
      const ranks = new Int8Array(Math.ceil(this.width) + 1).fill(-1);
      for (const [from, to, rank] of strip.pieces) {
        if (to < this.range[0] || from > this.range[1]) continue;
        const first = Math.max(Math.round(this.x(from) - LEFT), 0);
        const last = Math.min(Math.max(Math.round(this.x(to) - LEFT), first + 1), ranks.length - 1);
        for (let i = first; i < last; i++) if (ranks[i] < rank) ranks[i] = rank;
      }
      for (let i = 0; i < ranks.length; ) {
        const start = i;
        while (i < ranks.length && ranks[i] === ranks[start]) i++;
        if (ranks[start] < 0) continue;
        context.fillStyle = strip.colours[ranks[start]];
        context.fillRect(LEFT + start, y, i - start, STRIP);
      }
    }

    /** Greatest gap under each pixel, as bars hanging from the pipe; the strip's height is the deepest gap of the line. */
    drawGaps(context, y, size) {
      context.fillStyle = this.ink.gap;
      let start = Math.max(Corridor.upper(this.kp, this.range[0]) - 1, 0);
      for (let pixel = 0; pixel < this.width; pixel++) {
        const end = Math.max(Corridor.upper(this.kp, this.kpAt(LEFT + pixel + 1)), start + 1);
        const high = this.gapSpan.over(start, Math.min(end, this.kp.length))[1];
        if (high > 0) context.fillRect(LEFT + pixel, y, 1, Math.max((high / this.deepestGap) * size, 1));
        start = Math.max(end - 1, start);
      }
    }

    drawCursor(context) {
      if (this.cursor === null || this.cursor < this.range[0] || this.cursor > this.range[1]) return;
      const x = Math.round(this.x(this.cursor)) + 0.5;
      context.strokeStyle = this.ink.ink;
      context.lineWidth = 1;
      line(context, x, TOP, x, TOP + this.height + AXIS + this.stripHeight());
      const row = this.row(this.cursor);
      const depth = this.depth[row];
      if (Number.isNaN(depth)) return;
      context.fillStyle = this.colour;
      context.strokeStyle = this.ink.paper;
      context.lineWidth = 2;
      context.beginPath();
      context.arc(x, this.y(this.pipe ? this.pipe[row] : depth), 5, 0, 2 * Math.PI);
      context.fill();
      context.stroke();
    }

    stripList() {
      if (this.strips && this.striped === this.line) return this.strips;
      this.striped = this.line;
      const list = Corridor.strips(this.line, this.look, this.colour).map((strip) => ({ size: STRIP, ...strip }));
      if (this.deepestGap > 0) {
        list.unshift({ label: "gap \u2264 " + Corridor.fixed(this.deepestGap, 2) + " m", size: 20, gaps: true, pieces: [] });
      }
      return list;
    }
  };

  function line(context, x1, y1, x2, y2) {
    context.beginPath();
    context.moveTo(x1, y1);
    context.lineTo(x2, y2);
    context.stroke();
  }

  /** As much of a name as fits into `room` pixels, nothing where that is next to nothing. */
  function fitting(context, name, room) {
    let most = Math.min(Math.floor(room / 4), 60);
    while (most >= 5 && context.measureText(Corridor.short(name, most)).width > room) most--;
    return most < 5 ? "" : Corridor.short(name, most);
  }

  /** Stretches of a series without absent figures. */
  function runs(points) {
    const found = [];
    let run = [];
    for (const point of points) {
      if (Number.isNaN(point[1])) {
        if (run.length > 1) found.push(run);
        run = [];
      } else run.push(point);
    }
    if (run.length > 1) found.push(run);
    return found;
  }
})();
