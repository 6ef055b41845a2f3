// What is drawn and how: the ground, the light, the records, and one picture whenever something has changed.
import { AmbientLight, Color, DirectionalLight, Group, Scene as Space, Vector3, WebGLRenderer } from "../../vendor/three.module.min.js";
import { Eye, moveBy } from "./camera.js";
import { Cut } from "./cutting.js";
import { Layer } from "./layers.js";
import { Words } from "./marks.js";

const EVERY = 7;
const SCALES_MM = [50, 20, 10, 5, 2, 1, 0.5, 0.2];

export class Scene {
  // plate: as the server says. before: the scene that this one takes the place of, whose eye it keeps. isSoft: whether the
  // processor draws, and edges are better left as they fall.
  constructor(root, plate, before, isSoft) {
    Object.assign(this, { root, plate, stamp: plate.stamp, scene: new Space(), isAsked: false, isReady: false, shares: null, listeners: [] });
    this.ground = root.querySelector(".plate-ground");
    this.eye = new Eye(plate.mouth, () => this.draw());
    this.cut = new Cut(this.scene, []);
    this.layers = plate.layers.map((told) => new Layer(told, [this.cut.plane]));
    this.cut.layers = this.layers;
    this.renderer = before?.renderer ?? this._renderer(isSoft);
    before?.close();
    this.words = new Words(root.querySelector(".plate-words"));
    this.marks = { bodies: new Group(), shifts: new Group(), place: new Group() };
    this.scene.add(...Object.values(this.marks));
    this.light = new DirectionalLight(0xffffff, 2.1);
    this.scene.add(this.light, this.light.target, new AmbientLight(0xffffff, 1.15));
    if (before) {
      const { target, yaw, pitch, half } = before.eye;
      Object.assign(this.eye, { target, yaw, pitch, half });
    }
    this.isFirst = !before;
    this._listen();
    this.dress();
  }

  _renderer(isSoft) {
    const renderer = new WebGLRenderer({ alpha: true, antialias: !isSoft, preserveDrawingBuffer: true });
    renderer.localClippingEnabled = true;
    renderer.setClearColor(0x000000, 0);
    this.ground.prepend(renderer.domElement);
    return renderer;
  }

  _listen() {
    const sizes = new ResizeObserver(() => this.resize());
    sizes.observe(this.ground);
    const dress = () => this.dress();
    const asked = ["(prefers-color-scheme: dark)", "(prefers-contrast: more)"].map((query) => matchMedia(query));
    for (const query of asked) query.addEventListener("change", dress);
    this.listeners.push(() => sizes.disconnect(), () => asked.forEach((query) => query.removeEventListener("change", dress)));
    if (!this.ground.dataset.moves) {
      this.ground.dataset.moves = "yes";
      moveBy(this.ground, () => current.eye, (event) => current.clicked?.(event));
    }
    current = this;
  }

  close() {
    for (const end of this.listeners) end();
    for (const kind of this.words.held.keys()) this.words.put(kind, []);
    for (const layer of this.layers) layer.mesh?.geometry.dispose();
  }

  // Fetches every record that has a preview. loaded: called for each.
  async load(loaded) {
    const fetched = this.layers.filter((layer) => layer.told.href);
    await Promise.all(fetched.map(async (layer) => {
      try {
        await layer.load();
      } catch {
        layer.told.says = "Its preview could not be fetched.";
        return;
      }
      this.scene.add(layer.mesh, layer.inner);
      loaded(layer);
    }));
    if (!this.layers.some((layer) => layer.isShown)) this.layers.find((layer) => layer.mesh)?.show(1);
    this.dress();
    this.frame();
    for (const layer of this.layers.filter((l) => !l.mesh)) loaded(layer);
    this.isReady = true;
    this.paint();
  }

  // Remembers once how much of each record is shown, until `restore` brings that back.
  remember() {
    this.shares ??= new Map(this.layers.map((layer) => [layer, layer.share]));
  }

  restore() {
    for (const [layer, share] of this.shares ?? []) layer.show(share);
    this.shares = null;
    this.records();
  }

  // The middle and size of what is shown; the eye starts there.
  frame() {
    const shown = this.layers.filter((layer) => layer.isShown);
    if (!shown.length) return;
    const { middle, half } = this.about(shown);
    this.eye.home = { target: middle, half };
    this.cut.centre.copy(middle);
    if (this.isFirst) this.eye.set({ target: middle.clone(), half: this.eye.home.half, yaw: 0, pitch: this.plate.mouth?.is_upper ? -40 : 40 });
    this.isFirst = false;
  }

  // The middle of some layers along the mouth's directions, and the half-height that shows them from every side.
  about(layers) {
    const ways = [this.eye.left, this.eye.front, this.eye.up];
    const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
    const place = new Vector3();
    for (const { mesh, matrix } of layers) {
      const points = mesh.geometry.attributes.position;
      for (let i = 0; i < points.count; i += EVERY) {
        place.fromBufferAttribute(points, i).applyMatrix4(matrix);
        ways.forEach((way, k) => {
          const along = place.dot(way);
          low[k] = Math.min(low[k], along);
          high[k] = Math.max(high[k], along);
        });
      }
    }
    const middle = new Vector3();
    ways.forEach((way, k) => middle.addScaledVector(way, (low[k] + high[k]) / 2));
    return { middle, half: Math.max(6, 0.56 * Math.max(...high.map((h, k) => h - low[k]))) };
  }

  ink(name) {
    return new Color(getComputedStyle(this.root).getPropertyValue(name).trim());
  }

  dress() {
    const styles = getComputedStyle(this.root);
    for (const layer of this.layers) layer.dress(styles);
    this.dressed?.();
    this.draw();
  }

  resize() {
    const { clientWidth: width, clientHeight: height } = this.ground;
    if (!width || !height) return;
    this.renderer.setPixelRatio(Math.min(devicePixelRatio, 2));
    this.renderer.setSize(width, height);
    this.eye.aspect = width / height;
    this.draw();
  }

  // Asks for one picture at the next opportunity.
  draw() {
    if (this.isAsked || !this.isReady) return;
    this.isAsked = true;
    this.root.dataset.busy = "yes";
    requestAnimationFrame(() => {
      this.isAsked = false;
      if (current === this) this.paint();
    });
  }

  paint() {
    if (!this.eye.camera || !this.ground.clientWidth) return;
    this.eye.place();
    const { toEye, up, right } = this.eye.sight();
    this.light.target.position.copy(this.eye.target);
    this.light.position.copy(this.eye.target).addScaledVector(toEye, 100).addScaledVector(up, 55).addScaledVector(right, -45);
    this.light.updateMatrixWorld();
    this.light.target.updateMatrixWorld();
    this.cut.draw(this.eye.half);
    this.renderer.render(this.scene, this.eye.camera);
    this.words.place(this.eye.camera, this.ground.clientWidth, this.ground.clientHeight);
    this._scale();
    if (!this.isAsked) delete this.root.dataset.busy;
    this.root.dataset.eye = this.eye.words;
    this.root.dataset.cut = this.cut.isOn ? this.cut.offset.toFixed(2) : "";
    this.root.dataset.shown = this.layers.filter((layer) => layer.isShown).length;
  }

  // A bar of a round length, as long as it is on the picture.
  _scale() {
    const pixels = this.ground.clientHeight / (2 * this.eye.half);
    const length = SCALES_MM.find((mm) => mm * pixels <= 160) ?? SCALES_MM.at(-1);
    const [bar, words] = this.root.querySelector(".plate-scale").children;
    bar.style.width = `${length * pixels}px`;
    words.textContent = `${length} mm`;
  }
}

let current = null;
