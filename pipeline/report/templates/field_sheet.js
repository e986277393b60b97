"use strict";
(function () {
  const known = JSON.parse(document.getElementById("numbers").textContent);
  const key = "field-sheet " + known.sheet;
  const inputs = [...document.querySelectorAll("input,select")];
  const number = (text) => (/^\s*[0-9]+([.,][0-9]+)?\s*$/.test(text) ? parseFloat(text.replace(",", ".")) : NaN);
  const plain = (text) => (isNaN(number(text)) ? text.trim() : text.trim().replace(",", "."));
  const kit = () => known.kits.find((one) => one.name === document.getElementById("kit").value);

  function name(input) {
    if (input.id) return input.id;
    const section = input.closest("section"), article = input.closest("article");
    return [article.dataset.client, article.dataset.site, section.dataset.point, input.dataset.field].join("\u001f");
  }

  function typed(section) {
    const values = {};
    section.querySelectorAll("input").forEach((one) => { values[one.dataset.field] = one.value; });
    return values;
  }

  function filled(section) {
    return Object.values(typed(section)).some((text) => text.trim() !== "");
  }

  // The same arithmetic as the checks of the store, with their limits.
  function remarks(section) {
    const values = typed(section), said = [], at = {};
    for (const [field, text] of Object.entries(values)) {
      if (field === "note" || text.trim() === "") continue;
      const value = number(text), bounds = known.bounds[field];
      if (isNaN(value)) { said.push(known.words.no_number.replace("{text}", text)); continue; }
      if (value < bounds[0] || value > bounds[1]) said.push(known.words.outside.replace("{text}", text));
      if ((field === "hardness" || field === "alkalinity") && value !== Math.round(value)) said.push(known.words.whole);
      at[field] = value;
    }
    const own = kit(), used = at.used || own.nominal_ml, drop = own.drop_mg_l * own.nominal_ml / used;
    const hardness = at.hardness * drop, alkalinity = at.alkalinity * drop;
    // The least that the last drop leaves open counts, so that a count is not blamed for its own step.
    const least = (count) => Math.max(count - 1, 0) * drop;
    if (at.ec > 0 && 100 * least(at.hardness) / known.meq > known.highest_hardness * at.ec) said.push(known.words.ec_hardness);
    if (at.ec > 0 && 100 * least(at.alkalinity) / known.meq > known.highest_alkalinity * at.ec) said.push(known.words.ec_alkalinity);
    const ratio = at.tds / at.ec;
    if (ratio < known.meter_ratio[0] || ratio > known.meter_ratio[1]) said.push(known.words.tds);
    if (least(at.alkalinity) > at.hardness * drop) said.push(known.words.alkalinity_over);
    const last = JSON.parse(section.dataset.last);
    for (const [field, now] of [["hardness", hardness], ["alkalinity", alkalinity], ["ec", at.ec]]) {
      if (last[field] > 0 && now > 0 && (now / last[field] > known.changed || last[field] / now > known.changed)) {
        said.push(known.words.changed.replace("{name}", known.words[field]).replace("{last}", last[field].toPrecision(3)));
      }
    }
    if (!isNaN(alkalinity)) said.unshift(known.words.alkalinity + " " + alkalinity.toFixed(0) + " mg/L");
    if (!isNaN(hardness)) said.unshift(known.words.hardness + " " + hardness.toFixed(0) + " mg/L");
    return said;
  }

  function cell(text) {
    return /[",\n\r;]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
  }

  function csv() {
    const rows = [known.columns.map((one) => one.heading)];
    const day = document.getElementById("date").value, own = kit();
    document.querySelectorAll("section[data-point]").forEach((section) => {
      if (!filled(section)) return;
      const values = typed(section), article = section.closest("article"), point = section.dataset.point;
      const site = article.dataset.site || article.dataset.client;
      const counted = values.hardness.trim() !== "" || values.alkalinity.trim() !== "";
      const facts = {
        client: article.dataset.client, site: article.dataset.site, label: site + " " + day + " " + point, date: day,
        stage: point, degree: counted ? String(own.degree_per_drop) : "", unit: counted ? own.degree_unit : "",
        nominal: counted ? String(own.nominal_ml) : "", used: counted ? plain(values.used) || String(own.nominal_ml) : "",
        operator: document.getElementById("operator").value.trim(), note: values.note.trim(),
      };
      rows.push(known.columns.map((one) => (one.key in facts ? facts[one.key] : plain(values[one.key] || ""))));
    });
    return rows.map((row) => row.map(cell).join(",")).join("\r\n") + "\r\n";
  }

  function refresh() {
    document.querySelectorAll("section[data-point]").forEach((section) => {
      section.querySelector(".said").textContent = filled(section) ? remarks(section).join(" · ") : "";
    });
    const kept = {};
    inputs.forEach((one) => { if (one.value !== one.defaultValue) kept[name(one)] = one.value; });
    try { localStorage.setItem(key, JSON.stringify(kept)); } catch (error) { document.getElementById("state").textContent = known.words.not_kept; }
  }

  try {
    const kept = JSON.parse(localStorage.getItem(key) || "{}");
    inputs.forEach((one) => { if (name(one) in kept) one.value = kept[name(one)]; });
  } catch (error) { document.getElementById("state").textContent = known.words.not_kept; }

  document.addEventListener("input", refresh);
  document.getElementById("save").addEventListener("click", () => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob(["\ufeff" + csv()], { type: "text/csv" }));
    link.download = "visits-" + document.getElementById("date").value + ".csv";
    link.click();
  });
  document.getElementById("show").addEventListener("click", () => {
    const text = document.getElementById("text");
    text.hidden = false;
    text.value = csv();
    text.select();
  });
  document.getElementById("clear").addEventListener("click", () => {
    if (!confirm(known.words.sure)) return;
    localStorage.removeItem(key);
    location.reload();
  });
  refresh();
})();
