// Places in three coordinate systems: longitude and latitude, the job's grid in metres,
// and the world square that Web Mercator maps are drawn in.
const RADIUS_EQUATOR_M = 6378137;
const ECCENTRICITY_SQUARED = 0.0066943799901413165;
const RAD = Math.PI / 180;

/** Evaluates a product of Chebyshev polynomials; null outside the box it was fitted on. */
function throughPatch(patch, x, y) {
  if (!patch) return null;
  const [west, south, east, north] = patch.span;
  const u = (2 * (x - west)) / (east - west) - 1;
  const v = (2 * (y - south)) / (north - south) - 1;
  if (Math.abs(u) > 1 || Math.abs(v) > 1) return null;
  const n = patch.terms;
  const [a, b] = [[1, u], [1, v]];
  for (let k = 2; k < n; k++) {
    a.push(2 * u * a[k - 1] - a[k - 2]);
    b.push(2 * v * b[k - 1] - b[k - 2]);
  }
  const sum = (terms) => {
    let total = 0;
    for (let i = 0; i < n; i++) for (let j = 0; j < n; j++) total += terms[i * n + j] * a[i] * b[j];
    return total;
  };
  return [sum(patch.x), sum(patch.y)];
}
const toGrid = (lon, lat) => throughPatch(data.toGrid, lon, lat);
const toLonLat = (x, y) => throughPatch(data.toLonLat, x, y);

/** Metres on the ellipsoid by the curvatures at the middle latitude: right to a
 *  millionth over 20 km. */
function distanceM([lon1, lat1], [lon2, lat2]) {
  const middle = ((lat1 + lat2) / 2) * RAD;
  const w = 1 - ECCENTRICITY_SQUARED * Math.sin(middle) ** 2;
  const meridian = (RADIUS_EQUATOR_M * (1 - ECCENTRICITY_SQUARED)) / w ** 1.5;
  const across = (RADIUS_EQUATOR_M / Math.sqrt(w)) * Math.cos(middle);
  return Math.hypot(meridian * (lat2 - lat1) * RAD, across * (lon2 - lon1) * RAD);
}

const worldX = (lon) => ((lon + 180) / 360) * 256;
const worldY = (lat) => (0.5 - Math.asinh(Math.tan(lat * RAD)) / (2 * Math.PI)) * 256;

function lonLatText(lon, lat) {
  return `${lon.toFixed(6)}, ${lat.toFixed(6)}`;
}
const grouped = (m) => Math.round(m).toString().replace(/\B(?=(\d{3})+$)/g, "\u2009");
function gridText(lon, lat) {
  const at = toGrid(lon, lat);
  return at ? `${grouped(at[0])} E  ${grouped(at[1])} N` : "outside the grid of this page";
}
