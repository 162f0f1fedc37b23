// Sums a site's days over the span that is picked. Without it the sums of all days are there to be read.
"use strict";

(() => {
  const source = document.getElementById("day-sums");
  if (!source) return;
  const { days, tanks, hoses, of } = JSON.parse(source.textContent);
  const [from, to] = ["from", "to"].map((name) => document.querySelector(`form.span-form input[name=${name}]`));
  const line = document.getElementById("span-line"), form = from.closest("form");
  const names = ["opening_stock_l", "deliveries_l", "sales_l", "closing_stock_l", "variance_l"];

  const sum = (values) => {
    const known = values.filter((v) => v !== null);
    return known.length ? known.reduce((a, b) => a + b, 0) : null;
  };
  const number = (value, digits, signed) => {
    if (value === null) return "–";
    const fixed = Math.abs(value).toFixed(digits), [whole, part] = fixed.split(".");
    const grouped = whole.replace(/\B(?=(\d{3})+$)/g, "\u202f") + (part ? `.${part}` : "");
    const sign = /[1-9]/.test(fixed) ? (value < 0 ? "\u2212" : signed ? "+" : "") : "";
    return sign + grouped;
  };
  const quantity = (value, unit, digits = 0, signed = false) => (value === null ? "–" : `${number(value, digits, signed)}\u202f${unit}`);
  const spanOf = (tank, first, last) => {
    const own = Object.fromEntries(names.map((name, i) => [name, tank[i].slice(first, last + 1)]));
    return {
      opening_stock_l: own.opening_stock_l[0] ?? null, closing_stock_l: own.closing_stock_l.at(-1) ?? null,
      deliveries_l: sum(own.deliveries_l), sales_l: sum(own.sales_l), variance_l: sum(own.variance_l),
      told: own.variance_l.filter((v) => v !== null).length,
    };
  };
  const pct = (part, whole) => (part === null || !whole ? null : (100 * part) / whole);
  const put = (row, name, value, text) => {
    const cell = row.querySelector(`[data-of=${name}]`);
    if (!cell) return;
    cell.textContent = text;
    cell.dataset.v = value === null ? "" : String(Math.round(value * 1e4) / 1e4);
  };
  const fill = (row, s) => {
    for (const name of names) put(row, name, s[name], number(s[name], name === "variance_l" ? 1 : 0, name === "variance_l"));
    const share = pct(s.variance_l, s.sales_l);
    put(row, "pct", share, quantity(share, "%", 2, true));
    put(row, "told", s.told, String(s.told));
  };
  // What is saved of a table: its rows' keys, the span, and the figures as they are.
  const keep = (id, told) => {
    const records = document.getElementById(`${id}-records`);
    const { columns } = JSON.parse(records.textContent);
    records.textContent = JSON.stringify({ columns, rows: told });
  };
  const spoken = (day) => {
    const [year, month, date] = day.split("-").map(Number);
    return `${date} ${form.dataset.months.split(" ")[month - 1]} ${year}`;
  };

  const show = () => {
    const last = days.length - 1;
    const low = days.findIndex((d) => d >= from.value), high = days.findLastIndex((d) => d <= to.value);
    form.querySelector(".mistake").hidden = low >= 0 && high >= low;
    if (low < 0 || high < low) return;
    const spans = tanks.map((tank) => spanOf(tank, low, high));
    const rows = document.querySelectorAll("#span-tanks tbody tr");
    rows.forEach((row) => fill(row, spans[Number(row.dataset.at)]));
    const kept = (row, values) => [row.dataset.key, [row.dataset.name, days[low], days[high], ...values]];
    keep("span-tanks", Object.fromEntries([...rows].map((row) => {
      const s = spans[Number(row.dataset.at)];
      return kept(row, [...names.map((name) => s[name]), pct(s.variance_l, s.sales_l), s.told]);
    })));
    const total = Object.fromEntries(names.map((name) => [name, sum(spans.map((s) => s[name]))]));
    fill(document.querySelector("#span-tanks tfoot tr"), { ...total, told: high - low + 1 });
    const ofHoses = {};
    document.querySelectorAll("#span-hoses tbody tr").forEach((row) => {
      const at = Number(row.dataset.at), sold = sum(hoses[at].slice(low, high + 1)), share = pct(sold, spans[of[at]].sales_l);
      put(row, "sold_l", sold, number(sold, 0));
      put(row, "share", share, quantity(share, "%", 1));
      const [key, values] = kept(row, [row.dataset.tank, sold, share]);
      ofHoses[key] = values;
    });
    if (hoses.length) keep("span-hoses", ofHoses);
    const share = pct(total.variance_l, total.sales_l);
    const told = { first: spoken(days[low]), last: spoken(days[high]), sales: quantity(total.sales_l, "l"), variance: quantity(total.variance_l, "l", 0, true), pct: quantity(share, "%", 2, true) };
    line.textContent = form.dataset.line.replace(/\{(\w+)\}/g, (_, name) => told[name]);
    for (const button of form.querySelectorAll("button[data-span]")) {
      const wanted = button.dataset.span === "all" ? 0 : Math.max(last - Number(button.dataset.span) + 1, 0);
      button.setAttribute("aria-pressed", String(high === last && low === wanted));
    }
  };

  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("input", () => { show(); history.replaceState(null, "", `#from=${from.value}&to=${to.value}`); });
  for (const button of form.querySelectorAll("button[data-span]")) {
    button.addEventListener("click", () => {
      to.value = days.at(-1);
      from.value = button.dataset.span === "all" ? days[0] : days[Math.max(days.length - Number(button.dataset.span), 0)];
      form.dispatchEvent(new Event("input"));
    });
  }
  const restore = () => {
    const wanted = new URLSearchParams(location.hash.slice(1));
    for (const field of [from, to]) if (days.includes(wanted.get(field.name))) field.value = wanted.get(field.name);
    show();
  };
  window.addEventListener("hashchange", restore);
  form.hidden = false;
  restore();
})();
