// What is drawn over the picture: found edges as dots, names, way-points, the marks of a tap not finished.
const EDGE = '#00e05a', CHOSEN = '#ff7a1a', POINT = '#ff2fd0', SHADE = 'rgba(0,0,0,.75)';

export function drawMarks(context, place, scale, what) {
  const chosen = what.marks.find((mark) => mark.name === what.selected);
  const marks = chosen ? [...what.marks.filter((mark) => mark !== chosen), chosen] : what.marks; // the chosen one on top
  for (const mark of marks) drawDots(context, place, scale, mark, mark === chosen);
  if (chosen?.other && !what.dragged) drawOther(context, place, chosen.other);
  if (chosen) (what.dragged ?? chosen.near).forEach((p, i) => drawPoint(context, place(p), i === what.moving ? 15 : 9));
  what.taps.forEach((p) => drawPoint(context, place(p)));
  if (what.taps.length > 1) drawWalk(context, what.taps.map(place));
  if (what.labels) {
    for (const mark of marks) if (mark.label && !(mark === chosen && mark.pieces.length)) drawName(context, nameplace(mark, place), mark.name, mark === chosen);
    if (chosen) chosen.pieces.forEach((piece, i) => drawName(context, place(piece.at), String(i + 1), piece.name === what.piece));
  }
  if (what.cross) drawCross(context, what.cross);
}

// Above a hole or slot, so that the name does not hide its edge.
function nameplace(mark, place) {
  if (!['circle', 'slot'].includes(mark.kind) || !mark.dots.length) return place(mark.label);
  const top = Math.min(...mark.dots.map((dot) => place(dot)[1]));
  return [place(mark.label)[0], top - 20];
}

function drawDots(context, place, scale, mark, chosen) {
  const size = Math.max(chosen ? 2 : 1.5, Math.min(scale < 5 ? 3 : 4, scale));
  context.fillStyle = chosen ? CHOSEN : EDGE;
  for (const dot of mark.dots) {
    const [x, y] = place(dot);
    context.fillRect(x - size / 2, y - size / 2, size, size);
  }
}

function drawPoint(context, [x, y], radius = 9) {
  for (const [width, ink] of [[5, SHADE], [2.5, POINT]]) {
    context.lineWidth = width; context.strokeStyle = ink;
    context.beginPath();
    context.arc(x, y, radius, 0, 2 * Math.PI);
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

function drawName(context, [x, y], text, chosen) {
  context.font = 'bold 16px "Liberation Sans", Arial, sans-serif';
  const wide = context.measureText(text).width + 12;
  context.fillStyle = chosen ? CHOSEN : SHADE;
  context.fillRect(x - wide / 2, y - 13, wide, 26);
  context.fillStyle = chosen ? '#000' : '#fff';
  context.textAlign = 'center'; context.textBaseline = 'middle';
  context.fillText(text, x, y + 1);
}

function drawCross(context, [x, y]) {
  for (const [width, ink] of [[5, SHADE], [2, POINT]]) {
    context.lineWidth = width; context.strokeStyle = ink;
    context.beginPath();
    context.moveTo(x - 18, y); context.lineTo(x + 18, y); context.moveTo(x, y - 18); context.lineTo(x, y + 18);
    context.stroke();
  }
}
