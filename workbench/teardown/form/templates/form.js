"use strict";
const told = JSON.parse(document.getElementById("told").textContent);
const place = "workbench-form-" + told.key;
const keyOf = unit => unit.unit_id + "|" + unit.deployment;
const one = id => document.getElementById(id);
let state = { read: false, unit: 0, values: {} };

try { state = Object.assign(state, JSON.parse(localStorage.getItem(place) || "{}")); }
catch (error) { one("kept").textContent = "This browser keeps nothing: save the table before you close the page."; }
if (!(state.unit >= 0 && state.unit < told.units.length)) { state.unit = 0; }

function keep() {
  try { localStorage.setItem(place, JSON.stringify(state)); }
  catch (error) { one("kept").textContent = "This browser keeps nothing: save the table before you close the page."; }
}

function current() {
  const key = keyOf(told.units[state.unit]);
  return state.values[key] || (state.values[key] = {});
}

function set(name, value) {
  const values = current();
  if (value === "") { delete values[name]; } else { values[name] = value; }
  keep();
  list();
}

function filled(unit) { return Object.keys(state.values[keyOf(unit)] || {}).length; }

function list() {
  told.units.forEach((unit, number) => {
    const count = filled(unit);
    const second = unit.deployment > 1 ? " (" + unit.deployment + ")" : "";
    one("unit").options[number].textContent = unit.shown + second + (count ? " – " + count + " filled in" : "");
  });
}

function show() {
  const unit = told.units[state.unit], values = current();
  one("unit").selectedIndex = state.unit;
  one("facts").replaceChildren(...Object.entries(unit.facts).flatMap(([name, text]) => {
    const term = document.createElement("dt"), said = document.createElement("dd");
    term.textContent = name;
    said.textContent = text;
    return [term, said];
  }));
  noted(unit);
  document.querySelectorAll("[data-field]").forEach(part => { part.value = values[part.dataset.field] || ""; });
  document.querySelectorAll("[data-photo]").forEach(part => { part.value = ""; });
  document.querySelectorAll("[data-sign]").forEach(part => { part.checked = values[part.dataset.sign] === part.value; });
}

function noted(unit) {
  const open = told.kind === "teardowns" ? unit.noted.filter(found => !current()[found.sign]) : [];
  one("noted").hidden = !open.length;
  one("noted").querySelector("ul").replaceChildren(...open.map(found => {
    const line = document.createElement("li"), button = document.createElement("button");
    button.type = "button";
    button.textContent = "Confirm: " + found.label;
    button.dataset.noted = found.sign;
    button.addEventListener("click", () => { set(found.sign, "yes"); show(); });
    line.append("“" + found.words + "” ", button);
    return line;
  }));
}

function download(name, blob) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
}

// drawing a picture anew leaves out where and when it was taken
async function photograph(input) {
  const file = input.files[0], unit = told.units[state.unit], side = 1600;
  if (!file) { return; }
  try {
    const picture = await createImageBitmap(file);
    const scale = Math.min(1, side / Math.max(picture.width, picture.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.round(picture.width * scale);
    canvas.height = Math.round(picture.height * scale);
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    const blob = await new Promise(done => canvas.toBlob(done, "image/jpeg", 0.85));
    const plain = unit.unit_id.replace(/[^A-Za-z0-9_-]/g, "_");
    const name = plain + "_" + unit.deployment + "_" + input.dataset.photo + ".jpg";
    download(name, blob);
    set(input.dataset.photo, name);
    document.querySelector('output[data-field="' + input.dataset.photo + '"]').value = name;
    one("said").textContent = name + " was saved; put it beside the log.";
  } catch (error) {
    one("said").textContent = "This file is no picture that can be read.";
  }
}

function cell(text) {
  return /[",\r\n]/.test(text) ? '"' + text.replaceAll('"', '""') + '"' : text;
}

function table() {
  const head = [...told.names, ...told.columns];
  const rows = told.units.filter(filled).map(unit => {
    const values = state.values[keyOf(unit)];
    return [...told.names.map(name => String(unit[name])), ...told.columns.map(name => values[name] || "")];
  });
  return { count: rows.length, text: [head, ...rows].map(row => row.map(cell).join(",")).join("\n") + "\n" };
}

told.units.forEach(() => one("unit").append(document.createElement("option")));
one("read").checked = state.read;
one("work").disabled = !state.read;
one("read").addEventListener("change", event => {
  state.read = event.target.checked;
  one("work").disabled = !state.read;
  keep();
});
one("unit").addEventListener("change", event => { state.unit = event.target.selectedIndex; keep(); show(); });
one("next").addEventListener("click", () => {
  state.unit = (state.unit + 1) % told.units.length;
  keep();
  show();
  one("unit").focus();
  window.scrollTo(0, one("work").offsetTop);
});
one("export").addEventListener("click", () => {
  const made = table();
  if (!made.count) { one("said").textContent = "Nothing is filled in yet."; return; }
  download(told.kind + "_" + new Date().toISOString().slice(0, 10) + ".csv", new Blob([made.text], { type: "text/csv" }));
  one("said").textContent = made.count + (made.count === 1 ? " unit" : " units") + " saved; next: workbench enter LOG with this file.";
});
one("clear").addEventListener("click", () => {
  if (!confirm("Forget everything that was filled in? Save it as a table first.")) { return; }
  state = { read: state.read, unit: 0, values: {} };
  keep();
  list();
  show();
});
document.querySelectorAll("[data-field]").forEach(part => {
  part.addEventListener("input", () => set(part.dataset.field, part.value.trim()));
  part.addEventListener("change", () => {
    one("said").textContent = part.validity && !part.validity.valid ? "Out of range: " + part.title : "";
  });
});
document.querySelectorAll("[data-sign]").forEach(part => {
  part.addEventListener("change", () => set(part.dataset.sign, part.value));
});
document.querySelectorAll("[data-photo]").forEach(part => part.addEventListener("change", () => photograph(part)));
list();
show();
