// From a finding to its place: the eye goes there, a ring stands about it, and what would hide it lets it through.
import { Vector3 } from "../../vendor/three.module.min.js";
import { clear, dotMark } from "./marks.js";

const HALF_MM = 9;
const THROUGH = 0.15;

export function openPlaces(scene, plate, records, on) {
  const found = scene.root.querySelector(".plate-found");
  let from = null;

  function show(button) {
    const place = plate.places[button.dataset.place];
    const layer = scene.layers.find((one) => one.told.id === place?.layer);
    scene.root.scrollIntoView({ block: "start", behavior: "instant" });
    scene.ground.focus({ preventScroll: true });
    from = button;
    found.hidden = false;
    const words = found.querySelector("p");
    if (!layer?.mesh) {
      words.textContent = "Its record is not drawn here. The finding says where the place lies in the file.";
      return;
    }
    const at = new Vector3(...place.at_mm);
    scene.remember();
    records.show(layer, 1);
    for (const other of scene.layers) if (other !== layer && other.isShown) other.show(Math.min(other.share, THROUGH));
    scene.records();
    clear(scene.marks.place);
    scene.marks.place.add(dotMark(at, 0.22, scene.ink("--return")));
    scene.words.put("place", [{ at, text: "" }]);
    words.textContent = place.is_apart ? `${place.says} Shown in the frame of its file alone.` : place.says;
    const outward = layer.outwardAt(at);
    const to = { target: at, half: HALF_MM };
    scene.eye.fly(outward.lengthSq() > 0.1 ? { ...to, ...scene.eye.facing(outward) } : to);
    scene.root.dataset.found = button.dataset.place;
  }

  on(document, "click", ({ target }) => {
    const button = target.closest("[data-place]");
    if (button) show(button);
  });
  on(found.querySelector("[data-back]"), "click", () => {
    const now = document.querySelector(`button[data-place="${from?.dataset.place}"]`);
    for (let fold = now?.closest("details"); fold; fold = fold.parentElement?.closest("details")) fold.open = true;
    now?.scrollIntoView({ block: "center" });
    now?.focus({ preventScroll: true });
    found.hidden = true;
    clear(scene.marks.place);
    scene.words.put("place", []);
    scene.restore();
  });
}
