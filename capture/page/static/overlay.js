// What is drawn over the picture: found edges as dots, names, way-points, the marks of a tap not finished.
import { placeTags } from './tags.js';

const EDGE = '#00e05a', CHOSEN = '#ff7a1a', POINT = '#ff2fd0', SHADE = 'rgba(0,0,0,.75)', TAG = 'rgba(0,0,0,.88)';
const FONT = 'bold 16px "Liberation Sans", Arial, sans-serif';
const MANY = 12, LONG = 28;

export function drawMarks(context, place, scale, what) {
  const chosen = what.marks.find((mark) => mark.name === what.selected);
  const marks = chosen ? [...what.marks.filter((mark) => mark !== chosen), chosen] : what.marks; // the chosen one on top
  for (const mark of marks) drawDots(context, place, scale, mark, mark === chosen);
  if (chosen?.other && !what.dragged) drawOther(context, place, chosen.other);
  if (chosen) drawHandles(context, place, what.dragged ?? chosen.near, what.moving);
  what.taps.forEach((p) => drawTap(context, place(p)));
  if (what.taps.length > 1) drawWalk(context, what.taps.map(place));
  if (what.cross) drawCross(context, what.cross);
}

// Names of features, numbers of the chosen path's pieces and of taps; gives back where they stand, for taps on them.
export function drawNames(context, place, { marks, selected, piece, taps }, covered, [width, height]) {
  context.font = FONT;
  const chosen = marks.find((mark) => mark.name === selected);
  const wish = (text, at, half, more) => ({ text, at, half, wide: context.measureText(text).width + 12, ...more });
  const pieces = (chosen?.pieces ?? []).map((p, i) => wish(String(i + 1), place(p.at), [2, 2], { name: selected, piece: p.name, bright: p.name === piece }));
  const names = marks.filter((mark) => mark.label && !(mark === chosen && mark.pieces.length))
    .map((mark) => wish(short(mark.name), place(mark.label), extent(mark, place, width), { name: mark.name, bright: mark === chosen }));
  const walk = taps.length > 1 ? taps.map((p, i) => wish(String(i + 1), place(p), [6, 6])) : [];
  const first = (tag) => (tag.bright ? 0 : tag.piece ? 1 : tag.name ? 2 : -1);
  const held = (chosen?.near.length ?? 0) > MANY ? [] : (chosen?.near ?? []).map(place).map(([x, y]) => [x - 10, y - 10, x + 10, y + 10]);
  const tags = placeTags([...walk, ...pieces, ...names].sort((a, b) => first(a) - first(b)), covered, held, width, height);
  tags.filter((tag) => tag.far).forEach((tag) => drawLead(context, tag)); // all below the words, so that none is struck out
  for (const tag of tags) drawTag(context, tag);
  return tags;
}

const short = (name) => ([...name].length > LONG ? `${[...name].slice(0, LONG - 1).join('')}…` : name);

// Half the width and height of a hole or slot on the screen; of one that fills the screen nothing: its name stands in it.
function extent(mark, place, width) {
  if (!['circle', 'slot'].includes(mark.kind) || !mark.dots.length) return [4, 4];
  const places = mark.dots.map(place), [x, y] = place(mark.label);
  const half = [0, 1].map((k) => Math.max(...places.map((p) => Math.abs(p[k] - [x, y][k]))));
  return Math.max(...half) > width / 3 ? [0, 0] : half;
}

const middleOf = (box) => [(box[0] + box[2]) / 2, (box[1] + box[3]) / 2];

function drawLead(context, { at, box }) {
  context.lineWidth = 2; context.strokeStyle = SHADE;
  context.beginPath(); context.moveTo(...at); context.lineTo(...middleOf(box)); context.stroke();
}

function drawTag(context, { box, text, bright }) {
  const middle = middleOf(box);
  context.fillStyle = bright ? CHOSEN : TAG;
  context.fillRect(box[0], box[1], box[2] - box[0], box[3] - box[1]);
  drawText(context, middle, text, bright ? '#000' : '#fff');
}

function drawText(context, [x, y], text, ink) {
  context.font = FONT; context.fillStyle = ink; context.textAlign = 'center'; context.textBaseline = 'middle';
  context.fillText(text, x, y + 1);
}

function drawDots(context, place, scale, mark, chosen) {
  const size = Math.max(chosen ? 2 : 1.5, Math.min(scale < 5 ? 3 : 4, scale));
  context.fillStyle = chosen ? CHOSEN : EDGE;
  for (const dot of mark.dots) {
    const [x, y] = place(dot);
    context.fillRect(x - size / 2, y - size / 2, size, size);
  }
}

// Way-points of the chosen feature: squares to take hold of, unlike the rings of a tap; small where there are many.
function drawHandles(context, place, near, moving) {
  near.forEach((p, i) => {
    const [x, y] = place(p), half = i === moving ? 14 : near.length > MANY ? 4 : 8;
    for (const [width, ink] of [[5, SHADE], [2, i === moving ? POINT : '#ffffff']]) {
      context.lineWidth = width; context.strokeStyle = ink;
      context.strokeRect(x - half, y - half, 2 * half, 2 * half);
    }
  });
}

// A tap of a mark not finished.
function drawTap(context, [x, y]) {
  for (const [width, ink] of [[5, SHADE], [2.5, POINT]]) {
    context.lineWidth = width; context.strokeStyle = ink;
    context.beginPath();
    context.arc(x, y, 9, 0, 2 * Math.PI);
    context.moveTo(x - 4, y); context.lineTo(x + 4, y); context.moveTo(x, y - 4); context.lineTo(x, y + 4);
    context.stroke();
  }
}

// The close edge that was not taken, dashed dark and light so that it shows on any metal.
function drawOther(context, place, other) {
  const places = other.line.map(place);
  for (const [width, ink] of [[5, SHADE], [2.5, '#ffffff']]) {
    context.lineWidth = width; context.strokeStyle = ink; context.setLineDash([10, 7]);
    context.beginPath();
    places.forEach(([x, y], i) => (i ? context.lineTo(x, y) : context.moveTo(x, y)));
    if (other.ring) context.closePath();
    context.stroke();
  }
  context.setLineDash([]);
}

function drawWalk(context, places) {
  context.lineWidth = 2; context.strokeStyle = POINT; context.setLineDash([6, 6]);
  context.beginPath();
  places.forEach(([x, y], i) => (i ? context.lineTo(x, y) : context.moveTo(x, y)));
  context.stroke();
  context.setLineDash([]);
}

function drawCross(context, [x, y]) {
  for (const [width, ink] of [[5, SHADE], [2, POINT]]) {
    context.lineWidth = width; context.strokeStyle = ink;
    context.beginPath();
    context.moveTo(x - 18, y); context.lineTo(x + 18, y); context.moveTo(x, y - 18); context.lineTo(x, y + 18);
    context.stroke();
  }
}
