// The data shown, as files made in the page; column names and codes are those of the study's tables.
(function (my) {
  const { groupKeys, habitatKeys } = my.numbers;
  const COLUMNS = ["species", "trait", "site", "longitude", "latitude", "count", "total", "frequency", "low", "high",
    "enough", "group", "habitat", "temperature_c"];

  // Across the antimeridian the map counts on beyond 180.
  const within180 = (longitude) => (longitude > 180 ? Number((longitude - 360).toFixed(5)) : longitude);

  function records() {
    const { species, trait, second } = my.state;
    const survey = my.tableSurvey();
    return my.tableRows().map((row) => {
      const { site } = row;
      const habitat = my.sites.habitat[site];
      const record = {
        species, trait, site: my.sites.name[site], longitude: within180(my.sites.lon[site]),
        latitude: my.sites.lat[site], count: row.count, total: row.total, frequency: Number(row.frequency.toFixed(6)), low: row.low, high: row.high,
        enough: row.enough ? "True" : "False", group: my.cells ? null : groupKeys[row.group],
        habitat: habitat < 0 ? null : habitatKeys[habitat], temperature_c: my.sites.temperature[site],
      };
      if (my.cells) { record.sites = row.pooled; }
      if (my.secondTrait()) {
        const other = my.tableSecond(row);
        Object.assign(record, { second_species: second[0], second_trait: second[1], second_count: other?.count ?? null,
          second_total: other?.total ?? null });
      }
      if (survey !== null) {
        const pair = my.tableChange(row);
        Object.assign(record, { earlier_survey: pair ? survey : null, earlier_count: pair?.count ?? null, earlier_total: pair?.total ?? null,
          difference: pair?.difference ?? null, difference_low: pair?.low ?? null, difference_high: pair?.high ?? null });
      }
      return record;
    });
  }

  const quoted = (value) => {
    const text = value === null || value === undefined ? "" : String(value);
    return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
  };
  my.asCsv = () => {
    const rows = records();
    const columns = rows.length ? Object.keys(rows[0]) : COLUMNS;
    return [columns, ...rows.map((row) => columns.map((name) => row[name]))].map((line) => line.map(quoted).join(",")).join("\r\n") + "\r\n";
  };
  my.asGeoJson = () => JSON.stringify({
    type: "FeatureCollection",
    features: records().map(({ longitude, latitude, ...properties }) => ({
      type: "Feature",
      geometry: longitude === null || latitude === null ? null : { type: "Point", coordinates: [longitude, latitude] },
      properties,
    })),
  });

  const slug = (text) => text.toLowerCase().replace(/[^a-z0-9]+/g, "-").replace(/^-|-$/g, "");
  function save(text, type, ending) {
    const address = URL.createObjectURL(new Blob([text], { type }));
    const link = my.make("a", { href: address, download: `${slug(my.state.species)}_${slug(my.state.trait)}.${ending}` });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(address), 10000);
  }
  my.startDownload = () => {
    my.byId("save-csv").addEventListener("click", () => save(my.asCsv(), "text/csv;charset=utf-8", "csv"));
    my.byId("save-geojson").addEventListener("click", () => save(my.asGeoJson(), "application/geo+json", "geojson"));
  };
})(morphmap);
