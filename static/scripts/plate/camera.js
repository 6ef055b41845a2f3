// The eye on the plate: where it looks, from which side, how near. It goes about an upright axis of the mouth and draws
// without perspective, so that lengths can be compared.
import { MathUtils, OrthographicCamera, Vector3 } from "../../vendor/three.module.min.js";

const NEAREST_MM = 2;
const FARTHEST_MM = 160;
const FLIGHT_MS = 420;
const STEP_DEG = 15;
const STEP_SHARE = 0.2;
const STEP_NEARER = 1.25;

export const VIEWS = {
  front: { yaw: 0, pitch: 0 },
  left: { yaw: 90, pitch: 0 },
  behind: { yaw: 180, pitch: 0 },
  right: { yaw: -90, pitch: 0 },
  above: { yaw: 0, pitch: 90 },
  below: { yaw: 0, pitch: -90 },
};

export class Eye {
  // mouth: directions of the joint frame, or null where they are not known. changed: called after every motion.
  constructor(mouth, changed) {
    const told = mouth ?? { left: [1, 0, 0], front: [0, -1, 0], occlusal: [0, 0, 1], is_upper: false };
    this.left = new Vector3(...told.left);
    this.front = new Vector3(...told.front);
    this.up = new Vector3(...told.occlusal).multiplyScalar(told.is_upper ? -1 : 1);
    this.changed = changed;
    this.camera = new OrthographicCamera();
    this.aspect = 1;
    this.home = { target: new Vector3(), half: 40 };
    Object.assign(this, { target: new Vector3(), yaw: 0, pitch: 35, half: 40, flight: 0 });
    this.camera.matrixAutoUpdate = false;
  }

  // The direction from what is looked at to the eye, and what is up on the plate.
  sight(yaw = this.yaw, pitch = this.pitch) {
    const [y, p] = [MathUtils.degToRad(yaw), MathUtils.degToRad(pitch)];
    const level = this.front.clone().multiplyScalar(Math.cos(y)).addScaledVector(this.left, Math.sin(y));
    const toEye = level.clone().multiplyScalar(Math.cos(p)).addScaledVector(this.up, Math.sin(p));
    const up = level.multiplyScalar(-Math.sin(p)).addScaledVector(this.up, Math.cos(p));
    return { toEye, up, right: up.clone().cross(toEye) };
  }

  place() {
    const { toEye, up, right } = this.sight();
    const camera = this.camera;
    camera.matrix.makeBasis(right, up, toEye).setPosition(this.target.clone().addScaledVector(toEye, 300));
    camera.matrixWorld.copy(camera.matrix);
    camera.matrixWorldInverse.copy(camera.matrix).invert();
    const wide = this.half * this.aspect;
    Object.assign(camera, { left: -wide, right: wide, top: this.half, bottom: -this.half, near: 1, far: 700 });
    camera.updateProjectionMatrix();
  }

  // As one line, for whoever asks where the eye is.
  get words() {
    const numbers = [this.yaw, this.pitch, this.half, this.target.x, this.target.y, this.target.z];
    return numbers.map((n) => n.toFixed(2)).join(" ");
  }

  set(state) {
    Object.assign(this, state);
    this.pitch = MathUtils.clamp(this.pitch, -90, 90);
    this.half = MathUtils.clamp(this.half, NEAREST_MM, FARTHEST_MM);
    this.changed();
  }

  // Goes there in a moment, at once where the reader wants no motion.
  fly(to) {
    const flight = ++this.flight;
    if (matchMedia("(prefers-reduced-motion: reduce)").matches) return this.set(to);
    const from = { target: this.target.clone(), yaw: this.yaw, pitch: this.pitch, half: this.half };
    const goal = { ...from, ...to };
    goal.yaw = from.yaw + (MathUtils.euclideanModulo(goal.yaw - from.yaw + 180, 360) - 180);
    const begun = performance.now();
    const step = (now) => {
      if (flight !== this.flight) return;
      const t = MathUtils.smoothstep((now - begun) / FLIGHT_MS, 0, 1);
      const between = (name) => MathUtils.lerp(from[name], goal[name], t);
      this.set({ target: from.target.clone().lerp(goal.target, t), yaw: between("yaw"), pitch: between("pitch"), half: between("half") });
      if (t < 1) requestAnimationFrame(step);
    };
    requestAnimationFrame(step);
    return undefined;
  }

  turn(yaw, pitch) {
    this.flight += 1;
    this.set({ yaw: this.yaw + yaw, pitch: this.pitch + pitch });
  }

  // By shares of what is seen, to the right and up.
  shift(right, up) {
    this.flight += 1;
    const sight = this.sight();
    const target = this.target.clone().addScaledVector(sight.right, 2 * right * this.half).addScaledVector(sight.up, 2 * up * this.half);
    this.set({ target });
  }

  nearer(factor) {
    this.flight += 1;
    this.set({ half: this.half / factor });
  }

  whole() {
    this.fly({ target: this.home.target.clone(), half: this.home.half / Math.min(1, this.aspect) });
  }

  // Yaw and pitch that look against a direction, such as a surface's outer side.
  facing(direction) {
    const pitch = MathUtils.radToDeg(Math.asin(MathUtils.clamp(direction.dot(this.up), -1, 1)));
    const yaw = MathUtils.radToDeg(Math.atan2(direction.dot(this.left), direction.dot(this.front)));
    return { yaw: Math.abs(pitch) > 89 ? 0 : yaw, pitch };
  }

  // A motion by name, as buttons and keys ask for it.
  do(name) {
    const turns = { "turn-left": [-1, 0], "turn-right": [1, 0], "turn-up": [0, 1], "turn-down": [0, -1] };
    const shifts = { "shift-left": [-1, 0], "shift-right": [1, 0], "shift-up": [0, 1], "shift-down": [0, -1] };
    if (name in turns) this.turn(...turns[name].map((n) => n * STEP_DEG));
    else if (name in shifts) this.shift(...shifts[name].map((n) => n * STEP_SHARE));
    else if (name === "nearer") this.nearer(STEP_NEARER);
    else if (name === "farther") this.nearer(1 / STEP_NEARER);
    else if (name === "whole") this.whole();
    else if (name in VIEWS) this.fly(VIEWS[name]);
  }
}

const KEYS = { ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down" };
const OTHERS = { "+": "nearer", "=": "nearer", "-": "farther", 0: "whole", Home: "whole" };

// Pointer, touch, wheel and keys move the eye while they are on the ground. eyeOf: gives the eye; clicked: where nothing was
// dragged.
export function moveBy(ground, eyeOf, clicked) {
  const down = new Map();
  let dragged = 0, spread = 0;
  const share = (pixels) => pixels / ground.clientHeight;
  const spreadOf = () => {
    const [a, b] = [...down.values()];
    return b ? Math.hypot(a.x - b.x, a.y - b.y) : 0;
  };
  ground.addEventListener("pointerdown", (event) => {
    if (event.target.closest("button, a")) return;
    down.set(event.pointerId, { x: event.clientX, y: event.clientY });
    dragged = down.size > 1 ? Infinity : 0;
    spread = spreadOf();
    ground.setPointerCapture(event.pointerId);
  });
  ground.addEventListener("pointermove", (event) => {
    const before = down.get(event.pointerId);
    if (!before) return;
    const [dx, dy] = [event.clientX - before.x, event.clientY - before.y];
    down.set(event.pointerId, { x: event.clientX, y: event.clientY });
    dragged += Math.hypot(dx, dy);
    if (dragged < 4) return;
    const isShift = down.size > 1 || event.shiftKey || event.buttons === 2 || event.buttons === 4;
    if (isShift) eyeOf().shift(-share(dx) / down.size, share(dy) / down.size);
    else eyeOf().turn(-dx * 0.4, dy * 0.4);
    const now = spreadOf();
    if (now && spread) eyeOf().nearer(now / spread);
    spread = now;
  });
  const up = (event) => {
    if (!down.delete(event.pointerId)) return;
    if (dragged < 4 && event.type === "pointerup") clicked(event);
  };
  ground.addEventListener("pointerup", up);
  ground.addEventListener("pointercancel", up);
  ground.addEventListener("contextmenu", (event) => event.preventDefault());
  ground.addEventListener("wheel", (event) => {
    // The page scrolls over the plate as everywhere; only who has taken hold of it, or holds Ctrl, goes nearer.
    if (document.activeElement !== ground && !event.ctrlKey) return;
    event.preventDefault();
    eyeOf().nearer(Math.exp(-event.deltaY * 0.0015));
  }, { passive: false });
  ground.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const way = KEYS[event.key];
    const name = way ? `${event.shiftKey ? "shift" : "turn"}-${way}` : OTHERS[event.key];
    if (!name) return;
    event.preventDefault();
    eyeOf().do(name);
  });
}
