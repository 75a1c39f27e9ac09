// One trait on one map: its raster, its lines and its symbols, in panes of their own so that a half can be cut off.
(function (my) {
  const PANES = { area: 340, lines: 410, sites: 450, ring: 470 };

  my.View = class {
    constructor(map, side) {
      this.map = map;
      this.panes = {};
      for (const [name, height] of Object.entries(PANES)) {
        const pane = map.createPane(`${side}-${name}`);
        pane.style.zIndex = height;
        if (name !== "sites") { pane.style.pointerEvents = "none"; }
        this.panes[name] = `${side}-${name}`;
      }
      this.canvas = L.canvas({ pane: this.panes.sites, padding: 0.3 });
      this.lines = L.layerGroup().addTo(map);
      this.points = L.featureGroup().addTo(map);
      this.rings = L.layerGroup().addTo(map);
      this.tooltip = L.tooltip({ direction: "top", opacity: 1, className: "short" });
      this.markers = new Map();
      this.points.on("mouseover", (event) => this.point(event.layer.site, event.latlng));
      this.points.on("mouseout", () => this.point(null));
      this.points.on("click", (event) => {
        L.DomEvent.stopPropagation(event);
        my.show({ site: event.layer.site });
      });
    }

    draw(speciesName, trait, state) {
      this.species = speciesName;
      this.trait = trait;
      this.symbols = state.symbols;
      // Squares leave the raster to be seen between them.
      this.shrunk = state.area !== "none" && this.trait.grid ? 0.6 : 1;
      this.drawArea(state.area);
      this.drawLines(state.centre, state.area);
      this.drawPoints();
      this.ring(this.chosen, this.pointed);
    }

    clear() {
      if (this.area) { this.map.removeLayer(this.area); this.area = null; }
      for (const group of [this.lines, this.points, this.rings]) { group.clearLayers(); }
      this.markers.clear();
      this.trait = null;
    }

    drawArea(kind) {
      if (this.area) { this.map.removeLayer(this.area); this.area = null; }
      const has = kind !== "none" && this.trait.grid && (kind !== "steepness" || my.hasSteepness(this.trait));
      if (has) { this.area = new my.GridLayer(this.trait, kind, { pane: this.panes.area }).addTo(this.map); }
    }

    drawLines(wanted, area) {
      this.lines.clearLayers();
      this.linePainter ??= L.svg({ pane: this.panes.lines, padding: 0.3 });
      const common = { pane: this.panes.lines, renderer: this.linePainter, interactive: false };
      for (const [level, line] of area === "surface" ? this.trait.contours : []) {
        L.polyline(line, { ...common, color: "#ffffff", weight: 3, opacity: 0.8 }).addTo(this.lines);
        L.polyline(line, { ...common, color: "#1a1a1a", weight: level === 0.5 ? 1.4 : 0.8 }).addTo(this.lines);
        // What a line says stands on it, as a number: colour need not be seen.
        if (line.length > 5) {
          const text = my.make("span", { class: "level" }, my.percent(level));
          L.marker(line[Math.floor(line.length / 2)], { pane: this.panes.ring, interactive: false, keyboard: false,
            icon: L.divIcon({ html: text, className: "level-box", iconSize: [0, 0] }) }).addTo(this.lines);
        }
      }
      if (!wanted || !this.trait.centre) { return; }
      for (const band of this.trait.centre.bands) {
        L.polygon(band, { ...common, stroke: true, color: "#1a1a1a", weight: 1, dashArray: "1 4", fillColor: "#ffffff",
          fillOpacity: 0.35 }).addTo(this.lines);
      }
      for (const line of this.trait.centre.lines) {
        // White below black, so that it shows on any colour.
        L.polyline(line, { ...common, color: "#ffffff", weight: 6 }).addTo(this.lines);
        L.polyline(line, { ...common, color: "#1a1a1a", weight: 3, dashArray: "9 4" }).addTo(this.lines);
      }
    }

    drawPoints() {
      this.points.clearLayers();
      this.markers.clear();
      if (this.symbols === "none") { return; }
      const options = { pane: this.panes.sites, renderer: this.canvas, bubblingMouseEvents: false };
      if (my.cells) { this.drawCells(options); return; }
      if (this.symbols.startsWith("change:")) { this.drawChange(options); return; }
      // Large samples first, so that small ones lie on top and can be reached.
      const rows = my.rows(this.trait).filter((row) => my.placed(row.site)).sort((a, b) => b.total - a.total);
      for (const row of rows) {
        this.add(row.site, new my.ShapeMarker(my.latLng(row.site), { ...options, ...my.siteStyle(row, this.symbols) }));
      }
    }

    drawChange(options) {
      const pairs = (this.trait.change[this.symbols.slice("change:".length)] ?? []).map((pair) => my.pair("", pair));
      for (const pair of pairs.sort((a, b) => Math.abs(b.difference) - Math.abs(a.difference))) {
        if (my.placed(pair.site)) {
          this.add(pair.site, new my.ShapeMarker(my.latLng(pair.site), { ...options, ...my.changeStyle(pair) }));
        }
      }
    }

    drawCells(options) {
      for (const row of my.rows(this.trait)) {
        const c = my.cells.corners[row.site];
        const [lat, lng] = my.latLng(row.site);
        const corners = [0, 2, 4, 6].map((at) => [lat + this.shrunk * (c[at] - lat), lng + this.shrunk * (c[at + 1] - lng)]);
        this.add(row.site, L.polygon(corners, {
          ...options, stroke: true, color: row.enough ? "#1a1a1a" : "#8a8a8a", weight: row.enough ? 0.5 : 1,
          dashArray: row.enough ? null : "2 2", fillColor: my.frequencyColour(row.frequency), fillOpacity: row.enough ? 0.95 : 0.5,
        }));
      }
    }

    add(site, marker) {
      marker.site = site;
      this.markers.set(site, marker);
      this.points.addLayer(marker);
    }

    // A site pointed at, on whichever map, chart or row, is shown everywhere.
    point(site, latLng) {
      my.tell("hover", site);
      if (site === null) { this.map.removeLayer(this.tooltip); return; }
      this.tooltip.setContent(this.short(site)).setLatLng(latLng ?? my.latLng(site)).addTo(this.map);
    }

    short(site) {
      const row = my.row(this.trait, site);
      const box = my.make("div", {}, my.make("strong", {}, my.siteName(site)));
      const line = (text) => box.append(my.make("div", {}, text));
      if (row) { line(my.say("ofShells", { frequency: my.percent(row.frequency), shells: my.shellsOf(row) })); }
      if (this.symbols.startsWith("change:")) {
        const survey = this.symbols.slice("change:".length);
        for (const pair of my.changesAt(this.trait, site)) {
          if (pair.survey === survey) { line(my.changeText(pair)); }
        }
      } else if (row && this.symbols === "clusters") {
        line(my.groupName(row));
      }
      return box;
    }

    ring(chosen, pointed) {
      this.chosen = chosen;
      this.pointed = pointed;
      this.rings.clearLayers();
      this.ringPainter ??= L.svg({ pane: this.panes.ring, padding: 0.3 });
      const around = (site, style) => {
        const radius = (this.markers.get(site)?.options.radius ?? 5) + 5;
        const common = { pane: this.panes.ring, renderer: this.ringPainter, interactive: false, fill: false, radius };
        L.circleMarker(my.latLng(site), { ...common, color: "#ffffff", weight: 6 }).addTo(this.rings);
        L.circleMarker(my.latLng(site), { ...common, color: "#1a1a1a", weight: 2.5, ...style }).addTo(this.rings);
      };
      const can = (site) => site !== null && site !== undefined && this.trait && my.placed(site);
      if (can(pointed) && pointed !== chosen) { around(pointed, { dashArray: "3 3" }); }
      if (can(chosen)) { around(chosen, {}); }
    }

    // Cut all but a strip of the map's width off, from one share of it to another; nothing where both are missing.
    cut(from, to) {
      const { x: width, y: height } = this.map.getSize();
      const corner = this.map.containerPointToLayerPoint([0, 0]);
      const [left, right] = [corner.x + from * width, corner.x + to * width];
      const [top, bottom] = [corner.y, corner.y + height];
      const path = from === 0 && to === 1
        ? "" : `polygon(${left}px ${top}px, ${right}px ${top}px, ${right}px ${bottom}px, ${left}px ${bottom}px)`;
      for (const name of Object.values(this.panes)) { this.map.getPane(name).style.clipPath = path; }
    }
  };
})(morphmap);
