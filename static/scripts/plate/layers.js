// One record on the plate: its surface, how much of its ink is shown, the gaps drawn on it.
import {
  BufferAttribute, BufferGeometry, Color, DoubleSide, Matrix4, Mesh, MeshBasicMaterial, MeshLambertMaterial, Vector3,
} from "../../vendor/three.module.min.js";
import { normalsOf, unpack } from "./surfaces.js";
import { GAP_EDGES_MM, gapUniforms, withGaps } from "./gaps.js";

const IDENTITY = [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1];

async function fetched(href) {
  const answer = await fetch(href);
  if (!answer.ok) throw new Error(`${answer.status}`);
  return answer.arrayBuffer();
}

export class Layer {
  // told: as the server says; planes: what cuts every surface.
  constructor(told, planes) {
    Object.assign(this, { told, share: told.shown, mesh: null, inner: null });
    this.isApart = told.T_joint_record.length === 0;
    this.toJoint = new Matrix4().set(...(this.isApart ? IDENTITY : told.T_joint_record));
    // Where a surface lies in another, as a denture on its jaw, the one that lets through stands back.
    const back = { polygonOffset: true, polygonOffsetFactor: 1, polygonOffsetUnits: 8 };
    this.material = new MeshLambertMaterial({ side: DoubleSide, clippingPlanes: planes, ...back });
    this.hidden = new MeshBasicMaterial({ side: DoubleSide, colorWrite: false, clippingPlanes: planes, ...back });
    this.gaps = gapUniforms();
    withGaps(this.material, this.gaps);
    this.coming = told.href ? fetched(told.href) : null;
    this.coming?.catch(() => {});
  }

  // Unpacks the surface once it is here; after this the layer can be drawn.
  async load() {
    const surface = unpack(await this.coming);
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(surface.positions, 3));
    geometry.setAttribute("normal", new BufferAttribute(normalsOf(surface.positions, surface.facets), 3));
    const far = new Float32Array(surface.positions.length / 3).fill(GAP_EDGES_MM.at(-1));
    geometry.setAttribute("gap", new BufferAttribute(far, 1));
    geometry.setAttribute("told", new BufferAttribute(new Float32Array(far.length), 1));
    geometry.setIndex(new BufferAttribute(surface.facets, 1));
    this.deviation = surface.deviation;
    this.matrix = this.toJoint.clone().multiply(new Matrix4().makeTranslation(...surface.origin));
    this.mesh = this._mesh(geometry, this.material);
    this.inner = this._mesh(geometry, this.hidden);
    geometry.computeBoundingSphere();
    this.show(this.share);
  }

  _mesh(geometry, material) {
    const mesh = new Mesh(geometry, material);
    mesh.matrixAutoUpdate = false;
    mesh.matrix.copy(this.matrix);
    mesh.userData.layer = this;
    return mesh;
  }

  get isShown() {
    return Boolean(this.mesh?.visible);
  }

  // A share of ink, 0 to 1. What lets others through is drawn after them, and first into the depth alone, so that of
  // itself only the side toward the reader is seen.
  show(share) {
    this.share = share;
    if (!this.mesh) return;
    const isThrough = share < 1;
    this.mesh.visible = share > 0;
    this.inner.visible = share > 0 && isThrough;
    this.mesh.renderOrder = isThrough ? 3 : 1;
    this.inner.renderOrder = 2;
    if (this.material.transparent !== isThrough) this.material.needsUpdate = true;
    this.material.transparent = isThrough;
    this.material.opacity = share;
    this.material.polygonOffset = isThrough;
  }

  // Takes the ink of the page's tokens.
  dress(styles) {
    this.material.color = new Color(styles.getPropertyValue(`--layer-${this.told.role}`).trim() || "#999");
    this.ink = new Color(styles.getPropertyValue("--ink").trim());
    this.gaps.bands.value = GAP_EDGES_MM.map((_, i) => new Color(styles.getPropertyValue(`--band-${i}`).trim() || "#777"));
    this.gaps.line.value = new Color(styles.getPropertyValue("--band-line").trim() || "#222");
  }

  get centre() {
    return this.mesh.geometry.boundingSphere.center.clone().applyMatrix4(this.matrix);
  }

  get radius() {
    return this.mesh.geometry.boundingSphere.radius;
  }

  // The outer side of the surface near a place in the plate's frame, from the points within a millimetre or two.
  outwardAt(place) {
    const at = place.clone().applyMatrix4(this.matrix.clone().invert());
    const points = this.mesh.geometry.attributes.position.array, normals = this.mesh.geometry.attributes.normal.array;
    const sum = new Vector3();
    for (let reach = 1.5; reach < 50 && sum.length() < 1e-6; reach *= 2) {
      for (let i = 0; i < points.length; i += 3) {
        const off = (points[i] - at.x) ** 2 + (points[i + 1] - at.y) ** 2 + (points[i + 2] - at.z) ** 2;
        if (off < reach * reach) sum.add(new Vector3(normals[i], normals[i + 1], normals[i + 2]));
      }
    }
    return sum.transformDirection(this.matrix);
  }
}
