// What is drawn beside the records: axes of scan bodies with what was caught of each eighth, shifts enlarged, a ring about a
// place, and words that stand where they belong.
import {
  BufferGeometry, Color, ConeGeometry, CylinderGeometry, DoubleSide, Group, Mesh, MeshBasicMaterial, RingGeometry, SphereGeometry, Vector3, Matrix4,
} from "../../vendor/three.module.min.js";

const AXIS_MM = 16;
const RING_AT_MM = 11;
const RING_MM = [2.6, 4.4];
// How wide and high words are about; words that would cover others move up or down, gaps stay away.
const WIDE_PX = { gap: 42, body: 72, seat: 40, shift: 92 };
const HIGH_PX = 18;
const STILL = [0];
const MOVES = { body: [0, -1, 1, -2, 2], seat: [0, -1, 1], shift: [0, 1, -1, 2, -2, 3, -3] };
const Y = new Vector3(0, 1, 0);

const ink = (color, opacity = 1) => new MeshBasicMaterial({ color, opacity, transparent: opacity < 1, side: DoubleSide, depthTest: false });

function rod(from, to, radius, material) {
  const along = to.clone().sub(from);
  const mesh = new Mesh(new CylinderGeometry(radius, radius, along.length(), 8), material);
  mesh.position.copy(from).addScaledVector(along, 0.5);
  mesh.quaternion.setFromUnitVectors(Y, along.normalize());
  mesh.renderOrder = 6;
  return mesh;
}

// The axis of a scan body and, about it, a ring of eight: the more of an eighth was caught, the fuller its ink.
export function bodyMark(body, color) {
  const group = new Group();
  const seat = new Vector3(...body.seat_mm), axis = new Vector3(...body.axis), clock = new Vector3(...body.clock);
  group.add(rod(seat, seat.clone().addScaledVector(axis, AXIS_MM), 0.16, ink(color)));
  const middle = seat.clone().addScaledVector(axis, RING_AT_MM);
  const turn = new Matrix4().makeBasis(clock, axis.clone().cross(clock), axis).setPosition(middle);
  body.eighths.forEach((share, k) => {
    const from = (k * Math.PI) / 4;
    const [low, high] = RING_MM;
    const rim = new Mesh(new RingGeometry(high, high + 0.18, 12, 1, from + 0.03, Math.PI / 4 - 0.06), ink(color));
    const own = low + (high - low) * (share ?? 0);
    const full = new Mesh(new RingGeometry(low, Math.max(own, low + 0.02), 12, 1, from + 0.03, Math.PI / 4 - 0.06), ink(color, 0.55));
    for (const mesh of share === null ? [rim] : [rim, full]) {
      mesh.matrixAutoUpdate = false;
      mesh.matrix.copy(turn);
      mesh.renderOrder = 6;
      group.add(mesh);
    }
  });
  return { group, middle };
}

// A position that came as a row: its seat as a disc, its axis longer than that of a body, so that both are seen.
export function seatMark(position, color) {
  const group = new Group();
  const seat = new Vector3(...position.seat_mm), axis = new Vector3(...position.axis);
  const end = seat.clone().addScaledVector(axis, AXIS_MM + 4);
  const disc = new Mesh(new CylinderGeometry(1.8, 1.8, 0.2, 24), ink(color, 0.6));
  disc.position.copy(seat);
  disc.quaternion.setFromUnitVectors(Y, axis);
  disc.renderOrder = 6;
  group.add(disc, rod(seat, end, 0.12, ink(color)));
  return { group, end };
}

// An arrow from a site along its shift, so many times as long.
export function shiftMark(shift, enlargement, color) {
  const group = new Group();
  const from = new Vector3(...shift.seat_mm);
  const along = new Vector3(...shift.shift_mm).multiplyScalar(enlargement);
  const size = along.length();
  const dot = new Mesh(new SphereGeometry(0.45, 12, 8), ink(color));
  dot.position.copy(from);
  dot.renderOrder = 6;
  group.add(dot);
  if (size > 0.2) {
    const head = Math.min(1.6, size * 0.5);
    const neck = from.clone().addScaledVector(along, 1 - head / size);
    const cone = new Mesh(new ConeGeometry(head * 0.42, head, 12), ink(color));
    cone.position.copy(from).addScaledVector(along, 1 - head / size / 2);
    cone.quaternion.setFromUnitVectors(Y, along.clone().normalize());
    cone.renderOrder = 6;
    group.add(rod(from, neck, 0.2, ink(color)), cone);
  }
  return { group, end: from.add(along) };
}

export function dotMark(place, radius, color) {
  const dot = new Mesh(new SphereGeometry(1, 16, 12), ink(color));
  dot.position.copy(place);
  dot.scale.setScalar(radius);
  dot.renderOrder = 7;
  return dot;
}

export function lineMark(from, to, radius, color) {
  return rod(from, to, radius, ink(color));
}

export function clear(group) {
  group.traverse((part) => {
    if (part.geometry instanceof BufferGeometry) part.geometry.dispose();
    part.material?.dispose?.();
  });
  group.clear();
}

export const inkOf = (styles, name) => new Color(styles.getPropertyValue(name).trim());

// Words on the plate, each held to a place in space. They are said in text elsewhere on the page too, so they are not read out.
export class Words {
  constructor(box) {
    this.box = box;
    this.held = new Map();
  }

  // Puts words of one kind in place of those before: [{at, text, kind}].
  put(kind, words) {
    for (const { element } of this.held.get(kind) ?? []) element.remove();
    this.held.set(kind, words.map(({ at, text }) => {
      const element = document.createElement("span");
      element.className = `plate-word ${kind}`;
      element.textContent = text;
      this.box.append(element);
      return { at, element };
    }));
  }

  place(camera, width, height) {
    const on = new Vector3();
    const placed = [];
    for (const [kind, words] of this.held) {
      const wide = WIDE_PX[kind] ?? 0;
      const isFree = (x, y) => placed.every(([px, py, w]) => x - px > w || px - x > wide || Math.abs(py - y) > HIGH_PX);
      for (const { at, element } of words) {
        on.copy(at).project(camera);
        const [x, y] = [((on.x + 1) / 2) * width, ((1 - on.y) / 2) * height];
        const step = wide ? (MOVES[kind] ?? STILL).find((by) => isFree(x, y + by * HIGH_PX)) : 0;
        element.hidden = step === undefined || x < 0 || y < 0 || x > width || y > height;
        if (element.hidden) continue;
        const down = y + step * HIGH_PX;
        if (wide) placed.push([x, down, wide]);
        element.style.translate = `${x.toFixed(1)}px ${down.toFixed(1)}px`;
      }
    }
  }
}
