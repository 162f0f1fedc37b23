// At a desk with a lake: asks for every reading of the time that a tank's charts show, and hands them to their chart.
"use strict";

(() => {
  const line = document.getElementById("readings-told"), box = document.getElementById("chart-readings");
  const { tank, place, most, told, wait } = line.dataset;
  let asked = null, timer = 0;

  const fill = (series) => document.documentElement.dispatchEvent(new CustomEvent("filled", { detail: { key: "readings", series } }));
  const nothing = Object.fromEntries(["level_mm", "water_mm", "temp_c"].map((name) => [name, { x: [], y: [] }]));

  const ask = async ({ from, to }) => {
    asked = new AbortController();
    const { signal } = asked, width = Math.min(Math.max(Math.round(box.clientWidth), 50), 4000);
    try {
      const answer = await fetch(`${place}?${new URLSearchParams({ tank, from, to, width })}`, { signal });
      if (!answer.ok) { line.textContent = (await answer.text()).slice(0, 300); fill(nothing); return; }
      const { series, readings, bad } = await answer.json();
      line.textContent = told.replace("{readings}", readings).replace("{bad}", bad);
      fill(series);
    } catch (error) {
      if (!signal.aborted) { line.textContent = String(error.message); fill(nothing); }
    }
  };

  document.documentElement.addEventListener("shown", ({ detail }) => {
    asked?.abort();
    clearTimeout(timer);
    if (detail.days > Number(most)) { line.textContent = wait; fill(nothing); return; }
    timer = setTimeout(ask, 150, detail);
  });
})();
