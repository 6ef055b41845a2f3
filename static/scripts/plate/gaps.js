// The gaps between the jaws on a surface: bands from dark (touching) to pale (far), with a line at every bound and a hatching
// where the jaws stand inside each other, so that nothing hangs on colour.
import { Color, Matrix4, Vector3 } from "../../vendor/three.module.min.js";

export const GAP_EDGES_MM = [0, 0.1, 0.25, 0.5, 1, 2, 3];
const EMPTY = -32768;
const LEAST_COSINE = 0.3;

export function gapUniforms() {
  return {
    isOn: { value: 0 },
    bands: { value: GAP_EDGES_MM.map(() => new Color()) },
    edges: { value: GAP_EDGES_MM },
    line: { value: new Color() },
  };
}

// Lets a material draw the bands over its own ink where the gap is told.
export function withGaps(material, uniforms) {
  material.onBeforeCompile = (shader) => {
    Object.assign(shader.uniforms, { gapOn: uniforms.isOn, gapBands: uniforms.bands, gapEdges: uniforms.edges, gapLine: uniforms.line });
    shader.vertexShader = shader.vertexShader
      .replace("#include <common>", "#include <common>\nattribute float gap;\nattribute float told;\nvarying float vGap;\nvarying float vTold;")
      .replace("#include <begin_vertex>", "#include <begin_vertex>\nvGap = gap;\nvTold = told;");
    shader.fragmentShader = shader.fragmentShader
      .replace("#include <common>", `#include <common>
varying float vGap;
varying float vTold;
uniform float gapOn;
uniform vec3 gapBands[${GAP_EDGES_MM.length}];
uniform float gapEdges[${GAP_EDGES_MM.length}];
uniform vec3 gapLine;`)
      .replace("#include <opaque_fragment>", `#include <opaque_fragment>
if (gapOn > 0.5 && vTold > 0.99) {
  vec3 band = gapBands[${GAP_EDGES_MM.length - 1}];
  float edge = 1e3;
  for (int i = ${GAP_EDGES_MM.length - 1}; i >= 0; i--) {
    if (vGap < gapEdges[i]) band = gapBands[i];
    edge = min(edge, abs(vGap - gapEdges[i]) / max(fwidth(vGap), 1e-6));
  }
  float light = dot(outgoingLight, vec3(0.333)) / max(dot(diffuseColor.rgb, vec3(0.333)), 0.05);
  vec3 drawn = band * clamp(0.55 + 0.45 * light, 0.0, 1.15);
  if (vGap < 0.0 && mod(gl_FragCoord.x + gl_FragCoord.y, 6.0) < 1.6) drawn = vec3(1.0) - 0.25 * gapLine;
  if (edge < 0.9) drawn = gapLine;
  gl_FragColor = vec4(drawn, diffuseColor.a);
}`);
  };
}

// Writes the gap at every point of a layer that looks at the other jaw, read from the plan by its four nearest cells.
export async function readGaps(layer, sheet, bite) {
  const cells = await inflated(sheet);
  const rows = cells.length / sheet.columns;
  const toPlan = new Matrix4().set(...bite.T_plan_joint).multiply(layer.matrix);
  const toward = new Vector3(...sheet.toward).transformDirection(layer.matrix.clone().invert());
  const { position, normal, gap, told } = layer.mesh.geometry.attributes;
  const place = new Vector3(), out = new Vector3();
  for (let i = 0; i < position.count; i += 1) {
    if (out.fromBufferAttribute(normal, i).dot(toward) < LEAST_COSINE) continue;
    place.fromBufferAttribute(position, i).applyMatrix4(toPlan);
    const value = cellAt(cells, rows, sheet, place);
    if (value === null) continue;
    gap.array[i] = value / 1000;
    told.array[i] = 1;
  }
  gap.needsUpdate = told.needsUpdate = true;
}

async function inflated(sheet) {
  const packed = Uint8Array.from(atob(sheet.gap_um_b64), (c) => c.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
  const view = new DataView(await new Response(stream).arrayBuffer());
  return Int16Array.from({ length: view.byteLength / 2 }, (_, i) => view.getInt16(2 * i, true));
}

// The value between the cells that are told; null where fewer than three of the four are.
function cellAt(cells, rows, sheet, place) {
  const x = (place.x - sheet.low_mm[0]) / sheet.cell_mm, y = (place.y - sheet.low_mm[1]) / sheet.cell_mm;
  const [i, j] = [Math.floor(x), Math.floor(y)];
  let sum = 0, weight = 0, told = 0;
  for (const [di, dj] of [[0, 0], [1, 0], [0, 1], [1, 1]]) {
    const [column, row] = [i + di, j + dj];
    if (column < 0 || row < 0 || column >= sheet.columns || row >= rows) continue;
    const value = cells[row * sheet.columns + column];
    if (value === EMPTY) continue;
    const share = Math.abs(1 - di - (x - i)) * Math.abs(1 - dj - (y - j)) + 1e-6;
    sum += share * value;
    weight += share;
    told += 1;
  }
  return told > 2 ? sum / weight : null;
}
