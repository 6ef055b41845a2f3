// Previews unpacked: the walk from facet to facet that server/metrology/preview/coding.py describes, run backwards.

const HEADER_BYTES = 60;
const NEW = 0;
const NONE = 2;

// A preview as typed arrays: places from the origin, facets, and the deviation it states, all mm.
export function unpack(buffer) {
  const view = new DataView(buffer);
  if (view.getUint32(0, false) !== 0x41505631) throw new Error("not a preview");
  const [nPoints, nFacets, nWords, nSteps] = [4, 8, 12, 16].map((at) => view.getUint32(at, true));
  const [x, y, z, step, deviation] = [20, 28, 36, 44, 52].map((at) => view.getFloat64(at, true));
  const bytes = new Uint8Array(buffer, HEADER_BYTES);
  const wordBytes = Math.ceil(nWords / 4);
  const left = columns(bytes, wordBytes, 3 * nPoints);
  const steps = columns(bytes, wordBytes + 9 * nPoints, nSteps);
  const walked = walk({ bytes, nWords, nPoints, nFacets, left, steps });
  const positions = new Float32Array(3 * nPoints);
  for (let i = 0; i < positions.length; i += 1) positions[i] = walked.places[i] * step;
  return { origin: [x, y, z], positions, facets: walked.facets, deviation };
}

function columns(bytes, at, n) {
  const made = new Int32Array(n);
  for (let i = 0; i < n; i += 1) made[i] = bytes[at + i] | (bytes[at + n + i] << 8) | (bytes[at + 2 * n + i] << 16);
  return made;
}

function walk({ bytes, nWords, nPoints, nFacets, left, steps }) {
  const places = new Int32Array(3 * nPoints);
  const facets = new Uint32Array(3 * nFacets);
  const stack = new Int32Array(3 * nFacets + 3);
  let top = 0, made = 0, points = 0, step = 0;
  const word = (k) => (bytes[k >> 2] >> (2 * (k & 3))) & 3;
  const corner = (k, fx, fy, fz) => {
    if (word(k) !== NEW) return points - steps[step++];
    const at = 3 * points;
    places[at] = fx + signed(left[points]);
    places[at + 1] = fy + signed(left[nPoints + points]);
    places[at + 2] = fz + signed(left[2 * nPoints + points]);
    return points++;
  };
  for (let k = 0; k < nWords; ) {
    if (top === 0) {
      for (let c = 0; c < 3; c += 1, k += 1) {
        const last = 3 * (points - 1);
        facets[3 * made + c] = points ? corner(k, places[last], places[last + 1], places[last + 2]) : corner(k, 0, 0, 0);
      }
      for (let edge = 2; edge >= 0; edge -= 1) stack[top++] = 3 * made + edge;
      made += 1;
      continue;
    }
    const half = stack[--top];
    if (word(k) !== NONE) {
      const facet = half - (half % 3), edge = half % 3;
      const a = facets[facet + ((edge + 1) % 3)], b = facets[facet + edge], c = facets[facet + ((edge + 2) % 3)];
      const [fx, fy, fz] = [0, 1, 2].map((i) => places[3 * a + i] + places[3 * b + i] - places[3 * c + i]);
      facets[3 * made] = a;
      facets[3 * made + 1] = b;
      facets[3 * made + 2] = corner(k, fx, fy, fz);
      stack[top++] = 3 * made + 2;
      stack[top++] = 3 * made + 1;
      made += 1;
    }
    k += 1;
  }
  return { places, facets };
}

function signed(zigzag) {
  return zigzag & 1 ? -((zigzag + 1) >> 1) : zigzag >> 1;
}

// Normals of points, each facet counting by its area.
export function normalsOf(positions, facets) {
  const normals = new Float32Array(positions.length);
  for (let f = 0; f < facets.length; f += 3) {
    const a = 3 * facets[f], b = 3 * facets[f + 1], c = 3 * facets[f + 2];
    const ux = positions[b] - positions[a], uy = positions[b + 1] - positions[a + 1], uz = positions[b + 2] - positions[a + 2];
    const vx = positions[c] - positions[a], vy = positions[c + 1] - positions[a + 1], vz = positions[c + 2] - positions[a + 2];
    const nx = uy * vz - uz * vy, ny = uz * vx - ux * vz, nz = ux * vy - uy * vx;
    for (const at of [a, b, c]) {
      normals[at] += nx;
      normals[at + 1] += ny;
      normals[at + 2] += nz;
    }
  }
  for (let i = 0; i < normals.length; i += 3) {
    const size = Math.hypot(normals[i], normals[i + 1], normals[i + 2]) || 1;
    normals[i] /= size;
    normals[i + 1] /= size;
    normals[i + 2] /= size;
  }
  return normals;
}
