"use strict";
// One name for all parts of the page's script; each part adds to it what the later ones use.
const morphmap = {};

(function (my) {
  my.numbers = JSON.parse(document.getElementById("survey-numbers").textContent);
  const { lang, messages } = my.numbers;
  const plural = new Intl.PluralRules(lang);
  const fixed = (digits) => new Intl.NumberFormat(lang, { minimumFractionDigits: digits, maximumFractionDigits: digits });
  const share = (digits) =>
    new Intl.NumberFormat(lang, { style: "percent", minimumFractionDigits: digits, maximumFractionDigits: digits });
  const whole = fixed(0), tenths = fixed(1), hundredths = fixed(2), wholeShare = share(0), tenthShare = share(1);

  my.still = matchMedia("(prefers-reduced-motion: reduce)").matches;
  // Nothing is tiled, so that the map may stand at any scale.
  L.Map.mergeOptions({ zoomSnap: 0.25 });
  if (my.still) {
    // Before any map is made: the library reads these when it makes one.
    L.Map.mergeOptions({ zoomAnimation: false, fadeAnimation: false, markerZoomAnimation: false, inertia: false });
  }

  const filled = (text, values) => text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? values[name] : whole));
  my.say = (key, values = {}) => filled(messages[key], values);
  my.counted = (key, number, values = {}) => {
    const forms = messages[key];
    return filled(forms[plural.select(number)] ?? forms.other, { n: whole.format(number), ...values });
  };

  my.named = (name, text) => my.say("named", { name, text });
  my.clauses = (before, after) => (before && after ? my.say("clauses", { before, after }) : before || after);

  my.minus = (text) => text.replace("-", "−");
  my.number = (value) => whole.format(value);
  my.decimals = (value) => my.minus(hundredths.format(value));
  my.tenths = (value) => my.minus(tenths.format(value));
  // Only 0 and 1 themselves may read as 0% and 100%; near the ends a decimal is told.
  my.percent = (value) => {
    if (value === null || value === undefined) { return my.say("notKnown"); }
    const near = Math.min(value, 1 - value);
    if (near > 0 && near < 0.001) {
      return value < 0.5 ? "<" + tenthShare.format(0.001) : ">" + tenthShare.format(0.999);
    }
    return (near > 0 && near < 0.0995 ? tenthShare : wholeShare).format(value);
  };
  // The sign stands once where it ends both numbers.
  my.range = (low, high) => {
    const [first, last] = [my.percent(low), my.percent(high)];
    return first === last ? last : my.say("range", { low: first.replace(/\s*%$/, ""), high: last });
  };
  my.figures = (value) => my.minus(new Intl.NumberFormat(lang, { maximumFractionDigits: 3 }).format(value));
  my.points = (value) => {
    const size = Math.abs(100 * value);
    const text = (size < 9.95 ? tenths : whole).format(size);
    if (/^[0.,]+$/.test(text)) { return "0"; }
    return (value < 0 ? "−" : "+") + text;
  };
  my.pointsPlain = (value) => (100 * value < 9.95 && 100 * value >= 0.05 ? tenths : whole).format(100 * value);
  my.distance = (metres) => {
    if (Math.abs(metres) < 999.5) { return my.minus(whole.format(metres)) + "\u00a0m"; }
    const kilometres = metres / 1000;
    const round = Number.isInteger(Math.round(10 * kilometres) / 10) || Math.abs(kilometres) >= 9.95;
    return my.minus((round ? whole : tenths).format(kilometres)) + "\u00a0km";
  };
  my.shells = (number) => my.counted("shellsCounted", number);
  my.collator = new Intl.Collator(lang, { numeric: true, sensitivity: "base" });

  my.byId = (id) => document.getElementById(id);
  const fill = (element, attributes, children) => {
    for (const [name, value] of Object.entries(attributes)) {
      if (value === false || value === null || value === undefined) { continue; }
      if (typeof value === "function") { element.addEventListener(name, value); } else { element.setAttribute(name, value); }
    }
    // Text from records is only ever put in as text.
    element.append(...children.filter((child) => child !== null && child !== undefined));
    return element;
  };
  my.make = (tag, attributes = {}, ...children) => fill(document.createElement(tag), attributes, children);
  my.svg = (tag, attributes = {}, ...children) =>
    fill(document.createElementNS("http://www.w3.org/2000/svg", tag), attributes, children);

  // Parts tell each other of what happens by a name: "state", "hover", "moved", "print".
  const listeners = {};
  my.on = (event, listener) => { (listeners[event] ??= []).push(listener); };
  my.tell = (event, value) => { for (const listener of listeners[event] ?? []) { listener(value); } };
})(morphmap);
