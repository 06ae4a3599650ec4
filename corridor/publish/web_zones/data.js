"use strict";
// The zones as columns, and which of them match what the reader asks for.

(function () {
  const fold = (text) =>
    String(text).normalize("NFKD").replace(/[\u0300-\u036f]/g, "").toLocaleLowerCase();

  Corridor.ZoneList = class {
    constructor(packed) {
      this.table = new Corridor.Table(packed.table);
      this.count = this.table.rows;
      this.names = packed.names;
      this.attributes = packed.attributes;
      this.kinds = [...new Set(Array.from({ length: this.count }, (_, i) => this.table.at("kind", i)))].sort((a, b) =>
        String(a).localeCompare(String(b))
      );
      this.words = this.names.map((name, i) =>
        fold([name, this.table.at("zone", i), this.table.at("id", i), this.table.at("kind", i), this.table.at("layer", i), this.table.at("authority", i)].join(" "))
      );
    }

    text(column, i, places) {
      return this.table.text(column, i, places);
    }

    /** Indices of the zones that hold all of: every word of the search, a class, the season wanted. */
    matching({ words, kinds, force, day }) {
      const asked = fold(words).split(/\s+/).filter(Boolean);
      const result = [];
      for (let i = 0; i < this.count; i++) {
        if (!kinds.has(this.table.at("kind", i))) continue;
        if (!this.inForce(i, force, day)) continue;
        if (asked.every((word) => this.words[i].includes(word))) result.push(i);
      }
      return result;
    }

    inForce(i, force, day) {
      if (force === "in") return this.table.at("in_force", i) === true;
      if (force === "out") return this.table.at("in_force", i) === false;
      if (force === "day" && day) return this.onDay(i, day);
      return true;
    }

    /** `day` as YYYY-MM-DD. Dates that could not be read count as in force, as everywhere. */
    onDay(i, day) {
      const from = this.table.at("valid_from", i);
      const to = this.table.at("valid_to", i);
      if ((from && day < from) || (to && day > to)) return false;
      const start = this.table.at("season_start", i);
      const end = this.table.at("season_end", i);
      if (!start || !end) return true;
      const at = day.slice(5);
      return start <= end ? at >= start && at <= end : at >= start || at <= end;
    }
  };
})();
