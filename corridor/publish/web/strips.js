"use strict";
// The strips under the profile: pieces [from KP, to KP, rank] of a strip with colours by rank, where the
// highest rank under a pixel shows, or [from KP, to KP, colour, [top, size]] of a plain one.

(function () {
  /** Class of a slope as a share of its limit: an index of look.slopes. */
  function slopeClass(value, limit, look) {
    const share = Math.abs(value) / limit;
    const index = look.shares.findIndex((edge) => share <= edge + 1e-9);
    return index < 0 ? look.shares.length : index;
  }

  function slopes(line, column, limit, look) {
    const table = line.chainage;
    const pieces = [];
    for (let i = 0; i + 1 < table.rows; i++) {
      const value = table.at(column, i);
      if (value === null) continue;
      const rank = slopeClass(value, limit, look);
      const last = pieces[pieces.length - 1];
      const from = table.at("kp_km", i);
      const to = table.at("kp_km", i + 1);
      if (last && last[2] === rank && last[1] === from) last[1] = to;
      else pieces.push([from, to, rank]);
    }
    return pieces;
  }

  function spans(line) {
    const table = line.spans;
    const pieces = [];
    for (const i of line.spanRows) {
      const rank = Corridor.GRAVITY.indexOf(table.at("class", i));
      pieces.push([table.at("kp_start_km", i), table.at("kp_end_km", i), rank]);
    }
    return pieces;
  }

  /** Arcs as half-height blocks: above the middle for a turn to the right, below for one to the left. */
  function bends(line, colour) {
    const table = line.points;
    const pieces = [];
    for (let i = 0; i < table.rows; i++) {
      const turn = table.at("deflection_deg", i);
      if (turn === null) continue;
      pieces.push([table.at("kp_in_km", i), table.at("kp_out_km", i), colour, turn > 0 ? [0, 0.5] : [0.5, 0.5]]);
    }
    return pieces;
  }

  Corridor.strips = function (line, look, colour) {
    const list = [];
    if (line.chainage && line.limits) {
      const colours = look.slopes;
      list.push({ label: "along", colours, pieces: slopes(line, "slope_along_deg", line.limits.along, look) });
      list.push({ label: "across", colours, pieces: slopes(line, "slope_across_deg", line.limits.across, look) });
    }
    if (line.spans) list.push({ label: "spans", colours: Corridor.GRAVITY.map((name) => look.verdicts[name]), pieces: spans(line) });
    if (line.discouraged.length) {
      const pieces = line.discouraged.map(([from, to]) => [from, to, look.rules.discourage]);
      list.push({ label: "discouraged", pieces });
    }
    list.push({ label: "bends R/L", pieces: bends(line, colour) });
    return list;
  };
})();
