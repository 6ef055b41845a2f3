// A plane that cuts every record, and the outline of each where it is cut, drawn as a ribbon that stays visible at any nearness.
import { BufferAttribute, BufferGeometry, DoubleSide, Mesh, MeshBasicMaterial, Plane, Vector3 } from "../../vendor/three.module.min.js";

const RIBBON_SHARE = 0.0034;

export class Cut {
  constructor(scene, layers) {
    Object.assign(this, { scene, layers, isOn: false, offset: 0, isTurned: false });
    this.normal = new Vector3(1, 0, 0);
    this.centre = new Vector3();
    this.plane = new Plane(new Vector3(-1, 0, 0), 1e6);
    this.outlines = [];
  }

  // Lays the plane: along a direction, so far from the middle of what is shown, mm; what lies beyond it is left out.
  lay(state) {
    Object.assign(this, state);
    const normal = this.normal.clone().multiplyScalar(this.isTurned ? 1 : -1);
    const at = this.centre.clone().addScaledVector(this.normal, this.offset);
    if (this.isOn) this.plane.setFromNormalAndCoplanarPoint(normal, at);
    else this.plane.set(new Vector3(-1, 0, 0), 1e6);
  }

  hides(point) {
    return this.isOn && this.plane.distanceToPoint(point) < 0;
  }

  // half: what is seen from the middle to the upper edge, mm; the ribbon is a share of it.
  draw(half) {
    const shown = this.layers.filter((layer) => layer.isShown).map((layer) => layer.told.id);
    const key = [this.isOn, this.plane.constant, ...this.plane.normal.toArray(), half, ...shown, this.layers[0]?.ink?.getHexString()].join(" ");
    if (key === this.drawn) return;
    this.drawn = key;
    for (const mesh of this.outlines) {
      this.scene.remove(mesh);
      mesh.geometry.dispose();
      mesh.material.dispose();
    }
    this.outlines = [];
    if (!this.isOn) return;
    for (const layer of this.layers) {
      if (layer.isShown) this._outline(layer, half * RIBBON_SHARE);
    }
  }

  _outline(layer, width) {
    const plane = this.plane.clone().applyMatrix4(layer.matrix.clone().invert());
    const ends = crossings(layer.mesh.geometry, plane);
    if (!ends.length) return;
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(ribbons(ends, plane.normal, width), 3));
    const ink = layer.material.color.clone().lerp(layer.ink, 0.6);
    const mesh = new Mesh(geometry, new MeshBasicMaterial({ color: ink, side: DoubleSide, depthTest: false }));
    mesh.matrixAutoUpdate = false;
    mesh.matrix.copy(layer.matrix);
    mesh.renderOrder = 5;
    this.outlines.push(mesh);
    this.scene.add(mesh);
  }
}

// Where the facets cross the plane: six numbers a stretch, in the surface's own frame.
function crossings(geometry, plane) {
  const points = geometry.attributes.position.array, facets = geometry.index.array;
  const { x: nx, y: ny, z: nz } = plane.normal;
  const heights = new Float32Array(points.length / 3);
  for (let i = 0; i < heights.length; i += 1) {
    heights[i] = nx * points[3 * i] + ny * points[3 * i + 1] + nz * points[3 * i + 2] + plane.constant;
  }
  const ends = [];
  for (let f = 0; f < facets.length; f += 3) {
    const corners = [facets[f], facets[f + 1], facets[f + 2]];
    const above = corners.filter((c) => heights[c] > 0).length;
    if (above === 0 || above === 3) continue;
    for (let k = 0; k < 3; k += 1) {
      const [a, b] = [corners[k], corners[(k + 1) % 3]];
      if (heights[a] > 0 === heights[b] > 0) continue;
      const t = heights[a] / (heights[a] - heights[b]);
      for (let i = 0; i < 3; i += 1) ends.push(points[3 * a + i] + t * (points[3 * b + i] - points[3 * a + i]));
    }
  }
  return ends;
}

function ribbons(ends, normal, width) {
  const made = new Float32Array(3 * ends.length);
  const along = new Vector3(), side = new Vector3();
  for (let s = 0, at = 0; s < ends.length; s += 6) {
    along.set(ends[s + 3] - ends[s], ends[s + 4] - ends[s + 1], ends[s + 5] - ends[s + 2]);
    side.crossVectors(along, normal).setLength(width);
    const corner = (from, sign) => {
      made[at++] = ends[from] + sign * side.x;
      made[at++] = ends[from + 1] + sign * side.y;
      made[at++] = ends[from + 2] + sign * side.z;
    };
    for (const [from, sign] of [[s, 1], [s, -1], [s + 3, 1], [s + 3, 1], [s, -1], [s + 3, -1]]) corner(from, sign);
  }
  return made;
}
