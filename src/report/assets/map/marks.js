// How things look. Shape tells the kind, colour tells the animal; both tell apart in grey.
const INK = "#17212b";
const PAPER = "#fffdf7";
const PEG = "#0b4f6c";
const MORE = "#96300f";
const ANIMAL_COLOURS = { dog: "#17212b", fox: "#c2410c", other: "#7a6a9c" };
const animalColour = (animal) => ANIMAL_COLOURS[animal] || "#7a7f86";

const LINES = {
  track: { name: "Tracks", colour: "#6b4a2b", weight: 2.4, casing: true },
  road: { name: "Roads", colour: "#3a3f46", weight: 4, core: PAPER },
  fence: { name: "Fences", colour: "#5d666e", weight: 1.4, dash: "1 4" },
  creek: { name: "Creeks", colour: "#2a78a8", weight: 1.7, dash: "9 2" },
  ridge: { name: "Ridges", colour: "#a58a5c", weight: 1.6, dash: "1 6" },
  boundary: { name: "Boundaries", colour: INK, weight: 1.6, dash: "12 4 2 4" },
  other: { name: "Other lines", colour: "#8a9097", weight: 1.3 },
};

/** Paths of the sign symbols, about the origin, within 5 pixels of it. */
const SIGN_SHAPES = {
  scat: (c) => c.arc(0, 0, 3.6, 0, 7),
  print: (c) => polygon(c, [[0, -4.6], [4.4, 3.4], [-4.4, 3.4]]),
  sighting: (c) => { c.arc(0, 0, 4.2, 0, 7); c.moveTo(1.6, 0); c.arc(0, 0, 1.6, 0, 7, true); },
  scratching: (c) => { for (const x of [-3.4, -0.6, 2.2]) c.rect(x, -4.2, 1.5, 8.4); },
  howl: (c) => { c.moveTo(-4.5, -4); c.lineTo(4.5, 0); c.lineTo(-4.5, 4); c.lineTo(-2, 0); c.closePath(); },
  "stock-loss": (c) => cross(c, 4.4, 1.6),
  camera: (c) => { c.rect(-4.4, -3.2, 8.8, 6.8); c.moveTo(1.8, 0.2); c.arc(0, 0.2, 1.8, 0, 7, true); },
  other: (c) => polygon(c, [[0, -4.2], [4.2, 0], [0, 4.2], [-4.2, 0]]),
};

function polygon(c, points) {
  points.forEach(([x, y], k) => (k ? c.lineTo(x, y) : c.moveTo(x, y)));
  c.closePath();
}
function cross(c, arm, half) {
  polygon(c, [
    [-half, -arm], [half, -arm], [half, -half], [arm, -half], [arm, half], [half, half],
    [half, arm], [-half, arm], [-half, half], [-arm, half], [-arm, -half], [-half, -half],
  ]);
}

function outlined(context, shape, fill, halo = PAPER, width = 2.2) {
  context.beginPath();
  shape(context);
  context.lineJoin = "round";
  context.strokeStyle = halo;
  context.lineWidth = width;
  context.stroke();
  context.fillStyle = fill;
  context.fill("evenodd");
}
const signStamp = (sign, animal) =>
  stamp(14, (c) => outlined(c, SIGN_SHAPES[sign] || SIGN_SHAPES.other, animalColour(animal)));

const SMALL_PEG = stamp(12, (c) => outlined(c, (p) => p.arc(0, 0, 3.6, 0, 7), PEG));

/** How far the disc of a site stands from its foot, and how large it is, in pixels. */
const peg = (isChosen) => (sun.on ? { reach: 24, radius: isChosen ? 15 : 13.5 } : { reach: 19, radius: isChosen ? 12 : 10.5 });

/** A peg: a stalk from the foot on the line to a disc on the site's own side. */
function paintPeg(context, x, y, { turn, text, chosen, ringed, small }) {
  if (small) return press(context, SMALL_PEG, x, y);
  const { reach, radius } = peg(chosen);
  const [cx, cy] = [x + reach * Math.sin(turn), y - reach * Math.cos(turn)];
  const colour = sun.on ? "#00263a" : PEG;
  const stalk = (own, width) => {
    context.beginPath();
    context.moveTo(x, y);
    context.lineTo(cx, cy);
    context.strokeStyle = own;
    context.lineWidth = width;
    context.stroke();
  };
  const disc = (r, own) => {
    context.beginPath();
    context.arc(cx, cy, r, 0, 7);
    context.fillStyle = own;
    context.fill();
  };
  context.lineCap = "round";
  stalk(PAPER, 6);
  stalk(colour, 3);
  if (chosen) disc(radius + 5, "#f2b705");
  disc(radius + 1.8, PAPER);
  if (ringed) { disc(radius + 1, colour); disc(radius - 1, PAPER); disc(radius - 2.2, colour); } else disc(radius, colour);
  context.beginPath();
  context.arc(x, y, 2.6, 0, 7);
  context.fillStyle = colour;
  context.fill();
  context.fillStyle = "#ffffff";
  context.font = `${sun.on ? 700 : 600} ${(text.length > 2 ? 9.5 : 11.5) * (sun.on ? 1.25 : 1)}px system-ui, sans-serif`;
  context.textAlign = "center";
  context.textBaseline = "middle";
  context.fillText(text, cx, cy + 0.5);
}

function stationShape(c) {
  polygon(c, [[-5, 5], [-5, -2], [0, -6.5], [5, -2], [5, 5]]);
}
const STATION_STAMPS = {
  set: stamp(18, (c) => outlined(c, stationShape, INK, PAPER, 3)),
  lifted: stamp(18, (c) => { outlined(c, stationShape, PAPER, INK, 2.4); }),
  proposed: stamp(18, (c) => outlined(c, stationShape, "#7a8189", PAPER, 3)),
};

/** Stations where something else than the usual check is to be done carry its letter. */
const taskStamp = (letter) => stamp(20, (c) => {
  outlined(c, stationShape, MORE, PAPER, 3);
  c.fillStyle = PAPER;
  c.font = "700 8px system-ui, sans-serif";
  c.textAlign = "center";
  c.textBaseline = "middle";
  c.fillText(letter, 0, 1);
});
const TASK_STAMPS = { lift: taskStamp("L"), search: taskStamp("S"), move: taskStamp("M"), leave: taskStamp("X") };
const stationStamp = (s) => TASK_STAMPS[s.task] || STATION_STAMPS[s.state] || STATION_STAMPS.set;

const NODE_STAMPS = {
  junction: stamp(12, (c) => outlined(c, (p) => p.arc(0, 0, 3, 0, 7), PAPER, INK, 2.4)),
  crossing: stamp(12, (c) => { c.rotate(Math.PI / 4); outlined(c, (p) => cross(p, 4, 0.9), INK); }),
  join: stamp(10, (c) => outlined(c, (p) => p.arc(0, 0, 1.8, 0, 7), INK)),
  end: stamp(10, (c) => outlined(c, (p) => p.rect(-2, -2, 4, 4), INK)),
};

const LESS = "#184278";
const CLAIMED = "claimed against chance; a change in sign is not by itself a change in numbers";

const DAY_COLOURS = ["#7b1e7a", "#00696b", "#a33a00", "#2d3fa0", "#5b6100", "#8a1538"];
const dayColour = (day) => (is(day) ? DAY_COLOURS[(day - 1) % DAY_COLOURS.length] : "#5b6670");
