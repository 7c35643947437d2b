// Whole numbers as they lie in the page: see report/live_pack.py for how they got there.

// Bytes of a text in base64.
function bytesOf(text) {
  const letters = atob(text);
  const bytes = new Uint8Array(letters.length);
  for (let k = 0; k < letters.length; k += 1) bytes[k] = letters.charCodeAt(k);
  return bytes;
}

// Bytes unpacked by the browser itself (RFC 1950).
async function inflated(bytes) {
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

// Rows of whole numbers from differences of differences, low bytes of all first.
async function unpacked(text, rows, columns) {
  const planes = await inflated(bytesOf(text));
  const count = rows * columns;
  const values = new Int32Array(count);
  for (let plane = 0, shift = 0; plane < planes.length; plane += count, shift += 8) {
    for (let k = 0; k < count; k += 1) values[k] |= planes[plane + k] << shift;
  }
  for (let row = 0, k = 0; row < rows; row += 1) {
    let across = 0;
    for (let column = 0; column < columns; column += 1, k += 1) {
      const folded = values[k];
      across += (folded >>> 1) ^ -(folded & 1);
      values[k] = row > 0 ? across + values[k - columns] : across;
    }
  }
  return values;
}
