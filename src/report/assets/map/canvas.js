// Layers that are drawn on a canvas: as many points as there are, at the cost of one
// redraw when the map comes to rest.

/** A canvas that covers the view and a margin, and is redrawn when the map has moved. */
const Drawn = L.Renderer.extend({
  initialize(pane, draw) {
    L.Renderer.prototype.initialize.call(this, { pane, padding: 0.08 });
    this._draw = draw;
  },
  _initContainer() {
    this._container = document.createElement("canvas");
    this._container.setAttribute("aria-hidden", "true");
  },
  _destroyContainer() {
    this._container.remove();
    delete this._container;
  },
  _updatePaths() {},
  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    L.Renderer.prototype._update.call(this);
    const [box, canvas, ratio] = [this._bounds, this._container, window.devicePixelRatio || 1];
    const size = box.getSize();
    L.DomUtil.setPosition(canvas, box.min);
    canvas.width = Math.round(size.x * ratio);
    canvas.height = Math.round(size.y * ratio);
    canvas.style.width = `${size.x}px`;
    canvas.style.height = `${size.y}px`;
    const context = canvas.getContext("2d");
    context.scale(ratio, ratio);
    context.translate(-box.min.x, -box.min.y);
    const origin = this._map.getPixelOrigin();
    this._draw(context, { scale: 2 ** this._map.getZoom(), left: origin.x, top: origin.y, box });
  },
  redraw() {
    if (this._map) this._update();
  },
});

/** Points with a place in the world square, drawn by `paint(context, x, y, k, view)`.
 *  Of points that fall on the same few pixels one is drawn. */
function spots(pane, lon, lat, { paint, shown = () => true, thin = 0 }) {
  const x = Float64Array.from(lon, worldX);
  const y = Float64Array.from(lat, worldY);
  const layer = new Drawn(pane, (context, view) => {
    const { box, scale, left, top } = view;
    const taken = thin ? new Uint8Array(Math.ceil(box.getSize().x / thin + 2) * Math.ceil(box.getSize().y / thin + 2)) : null;
    const across = thin ? Math.ceil(box.getSize().x / thin + 2) : 0;
    const here = [];
    const [x0, x1, y0, y1] = [box.min.x, box.max.x, box.min.y, box.max.y];
    for (let k = 0; k < x.length; k++) {
      const px = x[k] * scale - left;
      const py = y[k] * scale - top;
      if (px < x0 || px > x1 || py < y0 || py > y1 || !shown(k)) continue;
      if (taken) {
        const cell = Math.floor((px - x0) / thin) + across * Math.floor((py - y0) / thin);
        if (taken[cell]) continue;
        taken[cell] = 1;
      }
      here.push([px, py, k]);
    }
    view.count = here.length;
    for (const [px, py, k] of here) paint(context, px, py, k, view);
  });
  layer.nearest = (latlng, reach) => {
    const scale = 2 ** layer._map.getZoom();
    const [ax, ay] = [worldX(latlng.lng) * scale, worldY(latlng.lat) * scale];
    let [best, found] = [reach * reach, -1];
    for (let k = 0; k < x.length; k++) {
      const d = (x[k] * scale - ax) ** 2 + (y[k] * scale - ay) ** 2;
      if (d < best && shown(k)) [best, found] = [d, k];
    }
    return found;
  };
  layer.move = (k, lon, lat) => {
    x[k] = worldX(lon);
    y[k] = worldY(lat);
    layer.redraw();
  };
  return layer;
}

/** A small picture of a symbol, drawn once and stamped often. */
function stamp(size, draw) {
  const ratio = Math.max(2, window.devicePixelRatio || 1);
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = Math.ceil(size * ratio);
  const context = canvas.getContext("2d");
  context.scale(ratio, ratio);
  context.translate(size / 2, size / 2);
  draw(context);
  return { canvas, size };
}
const press = (context, mark, x, y) =>
  context.drawImage(mark.canvas, x - mark.size / 2, y - mark.size / 2, mark.size, mark.size);
