// A plain sketch of a vector tile: its lines, outlines and points, unstyled, since the style is the business of
// whatever program the crew opens the pack with. Read as the Vector Tile Specification 2.1 has it (layers 4.1,
// geometry 4.3) over the protobuf wire format; anything malformed throws, and the tile is marked as damaged.

const MOST_STEPS = 2_000_000; // a hostile tile must not hold the page up for ever

class Wire {
  /** @param {Uint8Array} bytes */
  constructor(bytes) {
    this.bytes = bytes;
    this.at = 0;
  }

  get left() {
    return this.at < this.bytes.length;
  }

  varint() {
    let value = 0;
    for (let place = 0; place < 10; place += 1) {
      if (!this.left) throw new Error("cut short");
      const byte = this.bytes[this.at++];
      value += (byte & 0x7f) * 2 ** (7 * place);
      if (byte < 0x80) return value;
    }
    throw new Error("number too long");
  }

  /**
   * Call `visit` for each field: with a number for wire type 0, with bytes for 2; others are passed over.
   * @param {(field: number, value: any) => void} visit
   */
  each(visit) {
    while (this.left) {
      const key = this.varint();
      const size = /** @type {{[type: number]: number}} */ ({ 1: 8, 2: -1, 5: 4 })[key & 7];
      if ((key & 7) === 0) {
        visit(Math.floor(key / 8), this.varint());
        continue;
      }
      if (size === undefined) throw new Error("unknown wire type");
      const end = (size < 0 ? this.varint() : size) + this.at;
      if (end > this.bytes.length) throw new Error("cut short");
      if (size < 0) visit(Math.floor(key / 8), this.bytes.subarray(this.at, end));
      this.at = end;
    }
  }
}

/** @param {Uint8Array} bytes */
function layerOf(bytes) {
  const layer = { extent: 4096, features: /** @type {Uint8Array[]} */ ([]) };
  new Wire(bytes).each((field, value) => {
    if (field === 2) layer.features.push(value);
    if (field === 5) layer.extent = value;
  });
  if (!(layer.extent > 0)) throw new Error("no extent");
  return layer;
}

/** @param {Uint8Array} bytes */
function featureOf(bytes) {
  const feature = { type: 0, geometry: new Uint8Array() };
  new Wire(bytes).each((field, value) => {
    if (field === 3) feature.type = value;
    if (field === 4) feature.geometry = value;
  });
  return feature;
}

const zigzag = (/** @type {number} */ n) => (n % 2 ? -(n + 1) / 2 : n / 2);

/**
 * Draw the bytes of a tile so that `side` pixels show the part `times` smaller at column x, row y of it.
 * @param {CanvasRenderingContext2D} pen @param {Uint8Array} bytes @param {number} side @param {number} times
 * @param {number} x @param {number} y
 */
export function sketch(pen, bytes, side, times, x, y) {
  let steps = 0;
  new Wire(bytes).each((field, value) => {
    if (field !== 3) return;
    const { extent, features } = layerOf(value);
    const scale = (side * times) / extent;
    const place = (/** @type {number} */ px, /** @type {number} */ py) => [px * scale - (x % times) * side, py * scale - (y % times) * side];
    for (const { type, geometry } of features.map(featureOf)) {
      const path = new Path2D();
      const wire = new Wire(geometry);
      let [px, py] = [0, 0];
      while (wire.left) {
        const command = wire.varint();
        for (let n = Math.floor(command / 8); n > 0; n -= 1) {
          if ((steps += 1) > MOST_STEPS) throw new Error("too much to draw");
          if ((command & 7) === 7) {
            path.closePath();
            continue;
          }
          px += zigzag(wire.varint());
          py += zigzag(wire.varint());
          const [cx, cy] = place(px, py);
          if (type === 1) path.rect(cx - 3, cy - 3, 6, 6);
          else if ((command & 7) === 1) path.moveTo(cx, cy);
          else path.lineTo(cx, cy);
        }
      }
      if (type !== 2) pen.fill(path);
      if (type !== 1) pen.stroke(path);
    }
  });
}
