"use strict";
// Draws the survey on the map `map` from the numbers in `survey`. Text from records is only ever set as text.
function showSurvey(map, survey) {
  const byId = (id) => document.getElementById(id);
  const speciesBox = byId("species");
  const traitBox = byId("trait");
  const heading = byId("shown");
  const body = byId("site-rows");
  const state = { species: "", trait: "", points: "frequency", surface: true };
  const COUNT = 1, TOTAL = 2, LOW = 3, HIGH = 4, ENOUGH = 5, GROUP = 6;
  let picture = null;
  let markers = new Map();
  const pointLayer = L.layerGroup().addTo(map);

  // A mark drawn on the canvas in one of the shapes of the legend.
  const paths = {
    o: (c, x, y, r) => c.arc(x, y, r, 0, 2 * Math.PI),
    s: (c, x, y, r) => c.rect(x - r, y - r, 2 * r, 2 * r),
    "^": (c, x, y, r) => { c.moveTo(x, y - r); c.lineTo(x + r, y + r); c.lineTo(x - r, y + r); c.closePath(); },
    v: (c, x, y, r) => { c.moveTo(x, y + r); c.lineTo(x + r, y - r); c.lineTo(x - r, y - r); c.closePath(); },
  };
  const ShapeMarker = L.CircleMarker.extend({
    options: { shape: "o" },
    _updatePath: function () {
      const renderer = this._renderer;
      if (!renderer._drawing || this._empty()) { return; }
      const c = renderer._ctx;
      c.beginPath();
      paths[this.options.shape](c, this._point.x, this._point.y, Math.max(Math.round(this._radius), 1));
      renderer._fillStroke(c, this);
    },
  });

  const percent = (value) => {
    const size = 100 * value;
    const near = Math.min(size, 100 - size);
    if (near > 0 && near < 0.1) { return size < 50 ? "<0.1%" : ">99.9%"; }
    return size.toFixed(near > 0 && near < 9.95 ? 1 : 0) + "%";
  };
  const count = (number, noun) => number.toLocaleString("en") + " " + noun + (number === 1 ? "" : "s");
  const colour = (value) => survey.palette[Math.round(value * (survey.palette.length - 1))];
  const radius = (total) => Math.min(3 + Math.sqrt(total) * 0.75, 13);
  const current = () => survey.species[state.species][state.trait];

  function line(parent, text, className) {
    const element = document.createElement("div");
    element.textContent = text;
    if (className) { element.className = className; }
    parent.appendChild(element);
  }

  function card(row) {
    const [name, , , habitat, temperature] = survey.sites[row[0]];
    const box = document.createElement("div");
    line(box, name, "card-name");
    line(box, current().title + ": " + percent(row[COUNT] / row[TOTAL]) +
      " (" + percent(row[LOW]) + " to " + percent(row[HIGH]) + ")");
    line(box, row[COUNT] + " of " + count(row[TOTAL], "shell"));
    if (!row[ENOUGH]) { line(box, "Small sample"); }
    if (survey.groups[row[GROUP]].label !== "Not tested") { line(box, survey.groups[row[GROUP]].label); }
    if (habitat) { line(box, "Habitat: " + habitat); }
    if (temperature !== null) { line(box, "Mean temperature: " + temperature.toFixed(1) + " °C"); }
    return box;
  }

  function style(row) {
    if (state.points === "clusters") {
      const group = survey.groups[row[GROUP]];
      return {
        shape: group.shape, radius: group.size * 1.25, color: group.edge, weight: 1,
        fill: true, fillColor: group.fill === "none" ? "#ffffff" : group.fill, fillOpacity: group.fill === "none" ? 0.35 : 1,
      };
    }
    const fill = colour(row[COUNT] / row[TOTAL]);
    return row[ENOUGH]
      ? { shape: "o", radius: radius(row[TOTAL]), color: "#1a1a1a", weight: 1, fillColor: fill, fillOpacity: 1 }
      : { shape: "o", radius: radius(row[TOTAL]), color: fill, weight: 2.5, fillColor: "#ffffff", fillOpacity: 0.6 };
  }

  function drawPoints() {
    pointLayer.clearLayers();
    markers = new Map();
    // Large samples first, so that small ones lie on top and can be reached.
    const rows = [...current().sites].sort((a, b) => b[TOTAL] - a[TOTAL]);
    for (const row of rows) {
      const [, latitude, longitude] = survey.sites[row[0]];
      const marker = new ShapeMarker([latitude, longitude], style(row));
      marker.bindTooltip(() => card(row), { direction: "top", opacity: 1 });
      markers.set(row[0], marker);
      if (state.points !== "none") { pointLayer.addLayer(marker); }
    }
  }

  function drawSurface() {
    if (picture) { map.removeLayer(picture); picture = null; }
    const surface = current().surface;
    if (surface && state.surface) {
      picture = L.imageOverlay(surface[0], [surface[1], surface[2]], {
        className: "surface", interactive: false, alt: "Smoothed frequency of " + current().title,
      }).addTo(map);
    }
    byId("surface").disabled = !surface;
  }

  function cell(row, text, className) {
    const element = document.createElement("td");
    element.textContent = text;
    if (className) { element.className = className; }
    row.appendChild(element);
  }

  function fillTable() {
    body.textContent = "";
    const collator = new Intl.Collator("en", { numeric: true });
    const rows = [...current().sites].sort((a, b) => collator.compare(survey.sites[a[0]][0], survey.sites[b[0]][0]));
    for (const row of rows) {
      const [name, , , habitat] = survey.sites[row[0]];
      const element = document.createElement("tr");
      const first = document.createElement("th");
      first.scope = "row";
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = name;
      button.title = "Show on the map";
      button.addEventListener("click", () => showSite(row[0]));
      first.appendChild(button);
      element.appendChild(first);
      cell(element, row[COUNT] + " of " + row[TOTAL], "number");
      cell(element, percent(row[COUNT] / row[TOTAL]), "number");
      cell(element, percent(row[LOW]) + " to " + percent(row[HIGH]), "number");
      cell(element, row[ENOUGH] ? survey.groups[row[GROUP]].label : "Small sample");
      cell(element, habitat || "not known");
      body.appendChild(element);
    }
  }

  function showSite(place) {
    const marker = markers.get(place);
    if (!pointLayer.hasLayer(marker)) { pointLayer.addLayer(marker); }
    map.panTo(marker.getLatLng(), { animate: !matchMedia("(prefers-reduced-motion: reduce)").matches });
    marker.openTooltip();
    byId("map-frame").scrollIntoView({ block: "nearest" });
  }

  function describe() {
    const { title, among, sites } = current();
    const shells = sites.reduce((sum, row) => sum + row[TOTAL], 0);
    heading.textContent = title + ", among " + among + ": " + state.species + ", " + count(sites.length, "site") +
      ", " + count(shells, "shell") + (survey.period ? ", " + survey.period : "");
    byId("legend-frequency").hidden = state.points !== "frequency" && !(state.surface && current().surface);
    byId("legend-sites").hidden = state.points !== "frequency";
    byId("legend-clusters").hidden = state.points !== "clusters";
    byId("legend-surface").hidden = !(state.surface && current().surface);
  }

  function draw() {
    drawSurface();
    drawPoints();
    fillTable();
    describe();
  }

  function fillTraits() {
    const wanted = traitBox.value;
    traitBox.textContent = "";
    for (const [trait, { title }] of Object.entries(survey.species[state.species])) {
      traitBox.add(new Option(title, trait));
    }
    if (wanted in survey.species[state.species]) { traitBox.value = wanted; }
    state.trait = traitBox.value;
  }

  for (const ring of survey.rings) {
    L.polyline(ring, { color: "#595959", weight: 1.5, interactive: false }).addTo(map);
  }
  for (const name of Object.keys(survey.species)) { speciesBox.add(new Option(name, name)); }
  state.species = speciesBox.value;
  fillTraits();
  speciesBox.addEventListener("change", () => { state.species = speciesBox.value; fillTraits(); draw(); });
  traitBox.addEventListener("change", () => { state.trait = traitBox.value; draw(); });
  byId("surface").addEventListener("change", (event) => { state.surface = event.target.checked; draw(); });
  for (const box of document.getElementsByName("points")) {
    box.addEventListener("change", (event) => { state.points = event.target.value; draw(); });
  }
  map.attributionControl.setPrefix(false).addAttribution("Map display: Leaflet (BSD-2-Clause)");
  L.control.scale({ imperial: false }).addTo(map);
  map.fitBounds(survey.bounds, { animate: false });
  draw();
}
