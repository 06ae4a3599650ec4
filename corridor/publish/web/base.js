"use strict";
// What every other script uses: the data islands, small events, elements made from text.

const Corridor = {
  /** A data island, parsed. */
  island(name) {
    const holder = document.getElementById("data-" + name);
    const content = JSON.parse(holder.textContent);
    holder.remove();
    return content;
  },

  listeners: {},

  on(event, run) {
    (this.listeners[event] = this.listeners[event] || []).push(run);
  },

  emit(event, detail) {
    for (const run of this.listeners[event] || []) run(detail);
  },

  byId(id) {
    return document.getElementById(id);
  },

  /** An element with a class, text (never markup) and children. */
  make(tag, name, text, ...children) {
    const element = document.createElement(tag);
    if (name) element.className = name;
    if (text !== undefined && text !== null) element.textContent = String(text);
    element.append(...children);
    return element;
  },

  /** Text no longer than a label can be; the whole text stands in the popup. */
  short(text, most = 60) {
    const words = String(text).replace(/\s+/g, " ");
    return words.length > most ? words.slice(0, most - 1) + "\u2026" : words;
  },

  /** A two-column table of label and value; entries without a value are left out. */
  facts(entries) {
    const table = Corridor.make("table", "facts");
    for (const [label, value, mark] of entries) {
      if (value === null || value === undefined || value === "") continue;
      table.append(Corridor.make("tr", mark || "", null, Corridor.make("th", "", label), Corridor.make("td", "", value)));
    }
    return table;
  },

  /** A colour of the current theme, from the style sheet. */
  colour(name) {
    return getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();
  },
};

(function theme() {
  const dark = window.matchMedia && window.matchMedia("(prefers-color-scheme: dark)").matches;
  document.documentElement.dataset.theme = dark ? "dark" : "light";
})();
