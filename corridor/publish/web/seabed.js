"use strict";
// The seabed pictures: an overview, and sharper tiles along the line where one looks closely.

Corridor.Seabed = class {
  constructor(map, picture, near) {
    this.map = map;
    this.depths = picture.depths;
    this.tiles = picture.tiles.map((tile) => this.prepared(tile, near));
    map.createPane("seabed").style.zIndex = 150;
    map.createPane("tiles").style.zIndex = 160;
    const whole = this.prepared(picture.overview, near);
    this.bounds = whole.bounds;
    this.overview = L.imageOverlay(whole.source, whole.bounds, { pane: "seabed" });
    this.shown = true;
    this.overview.addTo(map);
    map.on("moveend", () => this.refresh());
    this.refresh();
  }

  prepared(tile, near) {
    const [south, west, north, east] = tile.box;
    const shift = near((west + east) / 2) - (west + east) / 2;
    const bounds = L.latLngBounds([south, west + shift], [north, east + shift]);
    return { bounds, source: "data:image/webp;base64," + tile.webp, overlay: null };
  }

  show(wanted) {
    this.shown = wanted;
    if (wanted) this.overview.addTo(this.map);
    else this.overview.remove();
    this.refresh();
  }

  /** Only tiles in view, and only where they would be more than a few pixels, are decoded. */
  refresh() {
    const view = this.map.getBounds().pad(0.2);
    for (const tile of this.tiles) {
      const size = this.map
        .latLngToLayerPoint(tile.bounds.getSouthEast())
        .subtract(this.map.latLngToLayerPoint(tile.bounds.getNorthWest()));
      const wanted = this.shown && size.x > 48 && view.intersects(tile.bounds);
      if (wanted && !tile.overlay) {
        tile.overlay = L.imageOverlay(tile.source, tile.bounds, { pane: "tiles" }).addTo(this.map);
      } else if (!wanted && tile.overlay) {
        tile.overlay.remove();
        tile.overlay = null;
      }
    }
  }
};
