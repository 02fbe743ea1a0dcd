// Drawing: a canvas as sharp as the screen, in the colours of the page.

export const SERIES = ["--reduction", "--wave", "--difference", "--accent"];
export const DASHES = [[], [6, 3], [2, 2], [8, 3, 2, 3]]; // traces differ by more than colour

/** The pen of a canvas that fills its box, cleared; sizes in CSS pixels. */
export function pen(canvas, height) {
  const scale = devicePixelRatio || 1;
  const width = canvas.clientWidth || 300;
  if (canvas.width !== Math.round(width * scale) || canvas.height !== Math.round(height * scale)) {
    canvas.width = Math.round(width * scale);
    canvas.height = Math.round(height * scale);
    canvas.style.height = `${height}px`;
  }
  const context = canvas.getContext("2d");
  context.setTransform(scale, 0, 0, scale, 0, 0);
  context.clearRect(0, 0, width, height);
  context.font = "12px system-ui, sans-serif";
  context.lineWidth = 1.5;
  return { context, width, height };
}

export const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

/** Lines across with their values at the left. */
export function scale({ context, width }, top, bottom, values, place, text) {
  context.save();
  context.lineWidth = 1;
  context.textBaseline = "middle";
  context.textAlign = "end";
  for (const value of values) {
    const y = place(value);
    if (y < top - 1 || y > bottom + 1) continue;
    context.strokeStyle = colour("--grid");
    context.beginPath();
    context.moveTo(48, y);
    context.lineTo(width, y);
    context.stroke();
    context.fillStyle = colour("--muted");
    context.fillText(text(value), 43, Math.min(Math.max(y, top + 6), bottom - 6), 41); // squeezed where it is wider
  }
  context.restore();
}

/** Round values between two ends, some four of them. */
export function rounds(low, high) {
  const raw = (high - low) / 4 || 1;
  const unit = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((one) => one * unit).find((one) => one >= raw);
  const found = [];
  for (let value = Math.ceil(low / step) * step; value <= high + 1e-9 * step; value += step) found.push(value);
  return found;
}
