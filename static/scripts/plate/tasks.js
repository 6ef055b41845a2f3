// Everything on the page that acts on the plate, each tied to what it does. All ties of one scene end with it.
import { Vector3 } from "../../vendor/three.module.min.js";
import { readGaps } from "./gaps.js";
import { bodyMark, seatMark, clear, shiftMark } from "./marks.js";
import { Distance } from "./measuring.js";
import { openPlaces } from "./places.js";
import { openRecords } from "./records.js";

const CUT_KEYS = { ",": -1, ".": 1 };
const CUT_STEP_MM = 0.5;

export function openTasks(scene, plate, announce) {
  const ties = new AbortController();
  const on = (element, kind, act) => element.addEventListener(kind, act, { signal: ties.signal });
  const records = openRecords(scene, on);
  const cut = tieCut(scene, on);
  tieMotions(scene, on, announce);
  tieBite(scene, plate, on);
  tieSites(scene, plate, on);
  tieDistance(scene, on, cut);
  openPlaces(scene, plate, records, on);
  return { loaded: (layer) => records.loaded(layer), close: () => ties.abort() };
}

// Hundredths of a millimetre, without a sign before nothing.
const told = (mm) => (Math.abs(mm) < 0.005 ? "0.00" : mm.toFixed(2).replace("-", "−"));

const part = (id) => document.getElementById(id);

function tieMotions(scene, on, announce) {
  on(scene.root, "click", ({ target }) => {
    const name = target.closest("[data-motion]")?.dataset.motion;
    if (!name) return;
    scene.eye.do(name === "onto" ? (scene.plate.mouth?.is_upper ? "below" : "above") : name);
    announce(name in { nearer: 1, farther: 1 } ? `${(2 * scene.eye.half).toFixed(0)} mm from edge to edge` : "");
  });
}

function tieCut(scene, on) {
  const [choice, at, depth, words] = [part("plate-cut"), part("plate-cut-at"), part("plate-depth"), part("plate-cut-at").querySelector("output")];
  const directions = () => ({ left: scene.eye.left, front: scene.eye.front, up: scene.eye.up, sight: scene.eye.sight().toEye });
  const lay = (more = {}) => {
    scene.cut.lay({ offset: Number(depth.value), isOn: choice.value !== "", ...more });
    words.textContent = `${Number(depth.value).toFixed(2)} mm from the middle`;
    at.hidden = !scene.cut.isOn;
    scene.draw();
  };
  const aim = () => lay(choice.value ? { normal: directions()[choice.value].clone() } : {});
  on(choice, "change", aim);
  on(depth, "input", () => lay());
  on(part("plate-cut-turn"), "click", () => lay({ isTurned: !scene.cut.isTurned }));
  on(part("plate-cut-face"), "click", () => {
    const toward = scene.cut.normal.clone().multiplyScalar(scene.cut.isTurned ? -1 : 1);
    scene.eye.fly(scene.eye.facing(toward));
  });
  if (choice.value) aim();
  return {
    step(ways) {
      if (!scene.cut.isOn) {
        choice.value = "left";
        aim();
        return;
      }
      depth.value = Number(depth.value) + ways * CUT_STEP_MM;
      lay();
    },
  };
}

function tieBite(scene, plate, on) {
  const [section, choice, key] = [part("plate-bite"), part("plate-gap"), part("plate-gap-key")];
  const sheets = plate.bite?.sheets ?? [];
  section.hidden = !sheets.length;
  choice.replaceChildren(choice.options[0], ...sheets.map((sheet) => new Option(sheet.name, sheet.layer)));
  const show = async () => {
    const sheet = sheets.find((one) => one.layer === choice.value);
    for (const layer of scene.layers) layer.gaps.isOn.value = 0;
    key.hidden = !sheet;
    scene.words.put("gap", sheet ? plate.bite.marks.map(({ at_mm: at, gap_mm: gap }) => ({ at: new Vector3(...at), text: told(gap) })) : []);
    const layer = scene.layers.find((one) => one.told.id === sheet?.layer);
    if (!sheet) scene.restore();
    if (layer?.mesh) {
      scene.remember();
      await readGaps(layer, sheet, plate.bite);
      layer.gaps.isOn.value = 1;
      key.querySelector("[data-gap-says]").textContent = sheet.says;
      layer.show(1);
      for (const other of scene.layers) if (other !== layer) other.show(0);
      scene.records();
      const { middle: target, half } = scene.about([layer]);
      scene.eye.fly({ target, half, ...scene.eye.facing(new Vector3(...sheet.toward)) });
    }
    scene.root.dataset.gap = layer?.mesh ? layer.told.role : "";
    scene.draw();
  };
  on(choice, "change", show);
  choice.value = "";
  key.hidden = true;
}

function tieSites(scene, plate, on) {
  const [bodies, seats, shifts] = ["bodies", "seats", "shifts"].map((kind) => part(`plate-${kind}`).firstElementChild);
  const times = part("plate-times");
  for (const kind of ["bodies", "seats", "shifts"]) part(`plate-${kind}`).hidden = !plate[kind].length;
  part("plate-sites").hidden = !plate.bodies.length && !plate.seats.length && !plate.shifts.length;
  if (!times.dataset.said) times.value = plate.enlargement;
  const said = part("plate-sites").querySelector("[data-site-says]");
  const draw = () => {
    for (const group of [scene.marks.bodies, scene.marks.shifts]) clear(group);
    const shown = new Set(scene.layers.filter((layer) => layer.isShown).map((layer) => layer.told.id));
    const own = plate.bodies.filter((body) => bodies.checked && shown.has(body.layer));
    const words = own.map((body) => {
      const { group, middle } = bodyMark(body, scene.ink("--ink"));
      scene.marks.bodies.add(group);
      return { at: middle, text: `${body.label} · ${Math.round(body.coverage_ratio * 100)} %` };
    });
    const rows = seats.checked ? plate.seats : [];
    const tips = rows.map((row) => {
      const { group, end } = seatMark(row, scene.ink("--deed"));
      scene.marks.bodies.add(group);
      return { at: end, text: row.label };
    });
    const arrows = shifts.checked ? plate.shifts : [];
    const ends = arrows.map((shift) => {
      const { group, end } = shiftMark(shift, Number(times.value), scene.ink("--return"));
      scene.marks.shifts.add(group);
      return { at: end, text: `${shift.label} · ${Math.hypot(...shift.shift_mm).toFixed(3)} mm` };
    });
    scene.words.put("body", words);
    scene.words.put("seat", tips);
    scene.words.put("shift", ends);
    part("plate-enlarged").hidden = !shifts.checked;
    part("plate-enlarged").querySelector("[data-times]").textContent = `${1000 / Number(times.value)} µm`;
    said.replaceChildren(...[...own, ...rows, ...arrows].map((one) => Object.assign(document.createElement("li"), { textContent: `${one.label}: ${one.says}` })));
    scene.draw();
  };
  for (const input of [bodies, seats, shifts]) on(input, "change", draw);
  on(times, "change", () => {
    times.dataset.said = "yes";
    draw();
  });
  scene.dressed = draw;
  scene.shownChanged = draw;
}

function tieDistance(scene, on, cut) {
  const [arm, take, drop] = [part("plate-measure"), part("plate-take"), part("plate-drop")];
  const distance = new Distance(scene, part("plate-distance"));
  const set = (isOn) => {
    distance.isOn = isOn;
    arm.setAttribute("aria-pressed", String(isOn));
    take.hidden = drop.hidden = !isOn;
    scene.root.classList.toggle("measuring", isOn);
    if (!isOn) distance.points = [];
    distance.draw();
  };
  set(false);
  on(arm, "click", () => set(!distance.isOn));
  on(take, "click", () => distance.take(0, 0));
  on(drop, "click", () => distance.drop());
  scene.clicked = ({ clientX, clientY }) => {
    if (!distance.isOn) return;
    const box = scene.ground.getBoundingClientRect();
    distance.take((2 * (clientX - box.left)) / box.width - 1, 1 - (2 * (clientY - box.top)) / box.height);
  };
  on(scene.ground, "keydown", (event) => {
    if (event.key in CUT_KEYS) cut.step(CUT_KEYS[event.key]);
    else if (event.key === "Escape") set(false);
    else if (event.key === "Enter") {
      if (!distance.isOn) set(true);
      distance.take(0, 0);
    } else return;
    event.preventDefault();
  });
}
