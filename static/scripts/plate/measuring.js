// The distance between two points of what is shown, taken by pointer or under the cross in the middle.
import { Group, Raycaster, Vector2 } from "../../vendor/three.module.min.js";
import { clear, dotMark, lineMark } from "./marks.js";

export class Distance {
  // plate: what is drawn and cut; says: where the answer stands.
  constructor(plate, says) {
    Object.assign(this, { plate, says, points: [], isOn: false });
    this.group = new Group();
    plate.scene.add(this.group);
    this.ray = new Raycaster();
  }

  // The first point of a shown surface at a place of the picture, -1 to 1 both ways; null where there is none.
  pointAt(x, y) {
    this.plate.eye.place();
    this.ray.setFromCamera(new Vector2(x, y), this.plate.eye.camera);
    const meshes = this.plate.layers.filter((layer) => layer.isShown).map((layer) => layer.mesh);
    const hit = this.ray.intersectObjects(meshes, false).find((found) => !this.plate.cut.hides(found.point));
    return hit ? { at: hit.point, layer: hit.object.userData.layer } : null;
  }

  take(x, y) {
    const found = this.pointAt(x, y);
    if (!found) {
      this.says.textContent = "Nothing lies there.";
      return;
    }
    if (this.points.length > 1) this.points = [];
    this.points.push(found);
    this.draw();
  }

  drop() {
    this.points = [];
    this.draw();
  }

  draw() {
    clear(this.group);
    const { plate, points } = this;
    const radius = 0.009 * plate.eye.half;
    for (const { at } of points) this.group.add(dotMark(at, radius, plate.ink("--deed")));
    const [a, b] = points;
    plate.words.put("distance", []);
    if (b) {
      const long = a.at.distanceTo(b.at);
      this.group.add(lineMark(a.at, b.at, radius * 0.35, plate.ink("--deed")));
      plate.words.put("distance", [{ at: a.at.clone().lerp(b.at, 0.5), text: `${long.toFixed(2)} mm` }]);
      const loose = Math.hypot(a.layer.deviation, b.layer.deviation);
      this.says.textContent = `${long.toFixed(2)} mm, from the ${name(a)} to the ${name(b)}; the previews lie on the scans to ${loose.toFixed(2)} mm.`;
      plate.root.dataset.distance = long.toFixed(3);
    } else {
      this.says.textContent = a ? `First point on the ${name(a)}. Take the second.` : this.isOn ? "Click a point, or bring one under the cross and press Enter." : "";
      delete plate.root.dataset.distance;
    }
    plate.draw();
  }
}

const name = (point) => point.layer.told.name.toLowerCase();
