// A large picture in a canvas: tiles at the size that fits, zoom about a point, pan; marks are drawn over it by others.
import { address } from './ask.js';

const MOST_TILES = 240;

export class Viewer {
  constructor(canvas, over) {
    this.canvas = canvas;
    this.over = over; // (context, place, scale) draws what lies over the picture
    this.tiles = new Map();
    this.scale = 1; this.x = 0; this.y = 0;
    this.picture = null;
    this.whole = true; // seen whole until it is moved, also on a screen that was turned
    this.frames = 0;
    new ResizeObserver(() => this.resized()).observe(canvas);
  }

  show(picture, path) {
    const fresh = !this.picture || picture.width !== this.picture.width || picture.height !== this.picture.height;
    this.picture = picture; this.path = path;
    if (fresh) this.fit();
    this.draw();
  }

  resized() {
    const ratio = window.devicePixelRatio || 1;
    const box = this.canvas.getBoundingClientRect();
    this.width = box.width; this.height = box.height;
    this.canvas.width = Math.round(box.width * ratio);
    this.canvas.height = Math.round(box.height * ratio);
    if (this.picture && this.whole) this.fit();
    this.draw();
  }

  fit() {
    if (!this.width || !this.picture) return;
    this.scale = Math.min(this.width / this.picture.width, this.height / this.picture.height);
    this.x = (this.width - this.scale * this.picture.width) / 2;
    this.y = (this.height - this.scale * this.picture.height) / 2;
    this.whole = true;
    this.draw();
  }

  // Picture pixels (centres at whole numbers) to places in the canvas, and back.
  place(p) { return [(p[0] + 0.5) * this.scale + this.x, (p[1] + 0.5) * this.scale + this.y]; }
  pixel(p) { return [(p[0] - this.x) / this.scale - 0.5, (p[1] - this.y) / this.scale - 0.5]; }

  zoom(factor, at = [this.width / 2, this.height / 2]) {
    const scale = Math.min(24, Math.max(0.02, this.scale * factor));
    this.x = at[0] - (at[0] - this.x) * scale / this.scale;
    this.y = at[1] - (at[1] - this.y) * scale / this.scale;
    this.scale = scale;
    this.whole = false;
    this.draw();
  }

  pan(dx, dy) { this.x += dx; this.y += dy; this.whole = false; this.draw(); }

  centre(p, scale = this.scale) {
    this.scale = scale;
    this.x = this.width / 2 - (p[0] + 0.5) * scale;
    this.y = this.height / 2 - (p[1] + 0.5) * scale;
    this.whole = false;
    this.draw();
  }

  draw() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => { this.asked = false; this.paint(); });
  }

  paint() {
    const ratio = window.devicePixelRatio || 1;
    const context = this.canvas.getContext('2d');
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.clearRect(0, 0, this.width, this.height);
    if (!this.picture || !this.width) return;
    this.paintTiles(context, this, this.width, this.height);
    this.over(context, (p) => this.place(p), this.scale);
    this.frames += 1;
  }

  // An enlarged view about one pixel into another canvas.
  paintGlass(canvas, at, scale, over) {
    const ratio = window.devicePixelRatio || 1, size = 220;
    canvas.width = size * ratio; canvas.height = size * ratio;
    const context = canvas.getContext('2d');
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    const view = { scale, x: size / 2 - (at[0] + 0.5) * scale, y: size / 2 - (at[1] + 0.5) * scale };
    this.paintTiles(context, view, size, size);
    over(context, (p) => [(p[0] + 0.5) * scale + view.x, (p[1] + 0.5) * scale + view.y], scale);
  }

  paintTiles(context, view, width, height) {
    const ratio = window.devicePixelRatio || 1;
    const wanted = Math.min(this.picture.levels - 1, Math.max(0, Math.floor(Math.log2(1 / (view.scale * ratio)) + 0.3)));
    context.imageSmoothingEnabled = view.scale < 3;
    for (let level = this.picture.levels - 1; level >= wanted; level -= 1) {
      this.paintLevel(context, view, width, height, level, level === wanted || level === this.picture.levels - 1);
    }
  }

  paintLevel(context, view, width, height, level, ask) {
    const size = this.picture.tile * 2 ** level, step = size * view.scale;
    const columns = Math.ceil(this.picture.width / size), rows = Math.ceil(this.picture.height / size);
    const first = (start) => Math.max(0, Math.floor(-start / step));
    const last = (start, length, count) => Math.min(count - 1, Math.floor((length - start) / step));
    for (let row = first(view.y); row <= last(view.y, height, rows); row += 1) {
      for (let column = first(view.x); column <= last(view.x, width, columns); column += 1) {
        const image = this.tile(level, column, row, ask);
        if (!image) continue;
        const part = 2 ** level * view.scale;
        context.drawImage(image, view.x + column * step, view.y + row * step, image.naturalWidth * part, image.naturalHeight * part);
      }
    }
  }

  tile(level, column, row, ask) {
    const name = `${this.path}/${this.picture.key}/${level}/${column}/${row}`;
    const found = this.tiles.get(name);
    if (found) {
      this.tiles.delete(name); this.tiles.set(name, found); // the newest stands last
      return found.complete && found.naturalWidth ? found : null;
    }
    if (!ask) return null;
    const image = new Image();
    image.onload = () => { this.draw(); this.came?.(); };
    image.src = address(name);
    this.tiles.set(name, image);
    if (this.tiles.size > MOST_TILES) this.tiles.delete(this.tiles.keys().next().value);
    return null;
  }
}
