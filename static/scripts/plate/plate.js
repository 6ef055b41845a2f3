// The plate on the lab's page: opens it where the browser can draw, loads the records, and ties them to what acts on them.
import { announce } from "../archproof.js";
import { openTasks } from "./tasks.js";
import { Scene } from "./scene.js";

const root = document.getElementById("plate");
const says = document.getElementById("plate-says");
const NO_DRAWING = "This browser cannot draw in space (it has no WebGL). All that would be shown here is said in the tables below.";
const NOT_FETCHED = "What is to be drawn could not be fetched; load the page again. The tables below say the same.";
const NOTHING_YET = "Nothing is drawn yet: each record is drawn here, without loading the page again, as soon as it has been read.";
const SOFT = /swiftshader|llvmpipe|softpipe|software|basic render/i;
let scene = null;
let tasks = null;

// What the browser can draw with: "card", "processor", or nothing.
function drawnBy() {
  const probe = document.createElement("canvas").getContext("webgl2");
  if (!probe) return "";
  const name = probe.getParameter(probe.getExtension("WEBGL_debug_renderer_info")?.UNMASKED_RENDERER_WEBGL ?? probe.RENDERER);
  probe.getExtension("WEBGL_lose_context")?.loseContext();
  return SOFT.test(name) ? "processor" : "card";
}

async function told() {
  const answer = await fetch(document.getElementById("plate-data").dataset.href, { headers: { Accept: "application/json" } });
  if (!answer.ok) throw new Error(`${answer.status}`);
  return answer.json();
}

async function open() {
  let plate;
  try {
    plate = await told();
  } catch {
    root.dataset.state = "lost";
    says.textContent = NOT_FETCHED;
    return;
  }
  if (scene?.stamp === plate.stamp) return;
  const before = scene;
  const shares = new Map(before?.layers.map((layer) => [layer.told.href, layer.share]) ?? []);
  root.querySelector(".plate-open").hidden = false;
  scene = new Scene(root, plate, before, drawing === "processor");
  tasks?.close();
  tasks = openTasks(scene, plate, announce);
  for (const layer of scene.layers) if (shares.has(layer.told.href)) layer.show(shares.get(layer.told.href));
  root.dataset.state = "drawing";
  await scene.load((layer) => tasks.loaded(layer));
  says.textContent = wordsOf(plate, scene);
  root.dataset.lacking = scene.layers.filter((layer) => !layer.mesh).length;
  root.dataset.drawn = scene.layers.filter((layer) => layer.mesh).length;
  root.dataset.state = "drawn";
  document.documentElement.classList.add("has-plate");
}

function wordsOf(plate, { layers }) {
  const lacking = layers.filter((layer) => !layer.mesh).length;
  if (lacking === layers.length) return NOTHING_YET;
  const worst = Math.max(0, ...layers.filter((layer) => layer.mesh).map((layer) => layer.deviation));
  const left = lacking ? ` ${lacking} of ${layers.length} records not drawn; the list says why.` : "";
  return `${plate.says} Previews, which lie on the scans to ${worst.toFixed(2)} mm (99 % of points).${left} The tables below say the same in words.`;
}

const drawing = root ? drawnBy() : "";
if (drawing) {
  open();
  document.addEventListener("htmx:after:swap", () => {
    const href = document.getElementById("plate-data").dataset.href;
    if (scene && !href.endsWith(scene.stamp)) open();
  });
} else if (root) {
  root.dataset.state = "without";
  says.textContent = NO_DRAWING;
}
