"use strict";
// Mouse, touch and keys on the profile.

(function () {
  Corridor.hands = function (profile, { cursor, lead }) {
    const canvas = profile.canvas;
    const pointers = new Map();
    let held = null;
    let waiting = 0;

    /** The map follows once the hand rests: moving it is dearer than drawing the profile. */
    function later() {
      clearTimeout(waiting);
      waiting = setTimeout(lead, 120);
    }

    function zoom(kp, factor) {
      const [from, to] = profile.range;
      profile.setRange(kp - (kp - from) * factor, kp + (to - kp) * factor);
      later();
    }

    function grip() {
      const places = [...pointers.values()];
      const left = Math.min(...places);
      const right = Math.max(...places);
      return { range: [...profile.range], left, right, kps: [profile.kpAt(left), profile.kpAt(right)], moved: false };
    }

    canvas.addEventListener("wheel", (event) => {
      event.preventDefault();
      const kp = profile.kpAt(event.offsetX);
      if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) pan((event.deltaX / profile.width) * (profile.range[1] - profile.range[0]));
      else zoom(kp, Math.pow(1.0018, event.deltaY));
    }, { passive: false });

    function pan(km) {
      profile.setRange(profile.range[0] + km, profile.range[1] + km);
      later();
    }

    canvas.addEventListener("pointerdown", (event) => {
      canvas.setPointerCapture(event.pointerId);
      pointers.set(event.pointerId, event.offsetX);
      held = grip();
      cursor(profile.kpAt(event.offsetX));
    });

    canvas.addEventListener("pointermove", (event) => {
      if (!pointers.has(event.pointerId)) {
        cursor(profile.kpAt(event.offsetX));
        return;
      }
      pointers.set(event.pointerId, event.offsetX);
      const places = [...pointers.values()];
      if (pointers.size === 1) {
        const perPixel = (held.range[1] - held.range[0]) / profile.width;
        const shift = (held.left - places[0]) * perPixel;
        if (Math.abs(held.left - places[0]) > 3) held.moved = true;
        if (held.moved) {
          profile.setRange(held.range[0] + shift, held.range[1] + shift);
          later();
        }
      } else {
        const left = Math.min(...places);
        const right = Math.max(Math.max(...places), left + 10);
        const perPixel = (held.kps[1] - held.kps[0]) / (right - left);
        const from = held.kps[0] - (left - profile.x(profile.range[0])) * perPixel;
        profile.setRange(from, from + profile.width * perPixel);
        later();
      }
    });

    for (const name of ["pointerup", "pointercancel"]) {
      canvas.addEventListener(name, (event) => {
        pointers.delete(event.pointerId);
        held = pointers.size ? grip() : null;
      });
    }

    canvas.addEventListener("dblclick", (event) => zoom(profile.kpAt(event.offsetX), 0.4));

    canvas.addEventListener("keydown", (event) => {
      const [from, to] = profile.range;
      const at = profile.cursor === null ? (from + to) / 2 : profile.cursor;
      const pixel = ((to - from) / profile.width) * (event.shiftKey ? 10 : 1);
      const moves = { ArrowLeft: at - pixel, ArrowRight: at + pixel, Home: 0, End: profile.line.length };
      if (event.key in moves) {
        const kp = Math.min(Math.max(moves[event.key], 0), profile.line.length);
        if (kp < from || kp > to) pan(kp - at);
        if (event.key === "Home" || event.key === "End") pan(kp - (from + to) / 2);
        cursor(kp);
      } else if (event.key === "+" || event.key === "=") zoom(at, 0.7);
      else if (event.key === "-") zoom(at, 1 / 0.7);
      else return;
      event.preventDefault();
    });
  };
})();
