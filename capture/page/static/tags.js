// Names beside what they name: none over another, none under a button, none on the edge itself.
const HIGH = 26, APART = 3, FAR = [0, 28, 56, 90];
const TURNS = [[0, -1], [0, 1], [1, 0], [-1, 0], [0.75, -0.8], [-0.75, -0.8], [0.75, 0.8], [-0.75, 0.8]];

// Each wish has its place `at`, the half extents of what it names, and how wide its words are; the first wishes choose
// first, and what finds no free place is left out: it comes when the picture is nearer. What is covered hides the place
// too, what is held (way-points to take up) only keeps words off itself. Boxes are [left, top, right, bottom].
export function placeTags(wishes, covered, held, width, height) {
  const taken = [...covered, ...held], named = wishes.map(({ at: [x, y], half: [wide, high] }) => [x - wide, y - high, x + wide, y + high]), set = [];
  for (const wish of wishes) {
    const shown = inside([...wish.at, ...wish.at], width, height) && !covered.some((box) => meet(box, [...wish.at, ...wish.at]));
    const free = shown ? spots(wish).filter(({ box }) => inside(box, width, height) && !taken.some((other) => meet(other, box))) : [];
    const spot = free.find(({ box }) => !named.some((other) => meet(other, box))) ?? free[0];
    if (!spot) continue;
    taken.push(spot.box.map((edge, i) => edge + (i < 2 ? -APART : APART)));
    set.push({ ...wish, ...spot });
  }
  return set;
}

function spots({ at: [x, y], half: [wide, high], wide: words }) {
  return FAR.flatMap((far) => TURNS.map(([right, down]) => {
    const cx = x + right * (wide + words / 2 + 8 + far), cy = y + down * (high + HIGH / 2 + 8 + far);
    return { box: [cx - words / 2, cy - HIGH / 2, cx + words / 2, cy + HIGH / 2], far };
  }));
}

const inside = ([left, top, right, bottom], width, height) => left >= 0 && top >= 0 && right <= width && bottom <= height;
const meet = (a, b) => a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3];

// The tag under a place, the finger's width allowed for.
export function tagAt(tags, [x, y], reach = 11) {
  return tags.find(({ name, box }) => name && x > box[0] - reach && x < box[2] + reach && y > box[1] - reach && y < box[3] + reach);
}
