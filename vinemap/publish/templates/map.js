"use strict";
/* The map: zones coloured by advice, loss, yield or chance; fine surfaces; rows and scouting points of the picked zone. */
const VMMap = ((map) => {
  const { data, words, word, state, show, make, zones, isNumber } = VM;
  const paths = new Map(), tags = L.layerGroup().addTo(map), detail = L.layerGroup().addTo(map), images = L.layerGroup();
  map.createPane("surfaces").style.zIndex = 350;
  map.createPane("frames").style.zIndex = 420;
  map.getPane("frames").style.pointerEvents = "none";
  map.createPane("marks").style.zIndex = 450;
  const top = Math.max(...Object.values(data.series).flat().map((one) => one[1]).filter(isNumber), 1);
  const yieldRange = data.surfaces.ranges.yield || [0, Math.ceil(top / 5) * 5], lossRange = data.surfaces.ranges.loss || [0, Math.max(50, Math.ceil(Math.max(...zones.map((zone) => zone.loss_pct || 0)) / 10) * 10)];
  const share = (value, [low, high]) => isNumber(value) ? (value - low) / (high - low) : null;
  const values = {
    advice: () => null,
    loss: (zone) => share(zone.loss_pct, lossRange),
    yield: (zone) => share(VM.yieldIn(zone, state.vintage), yieldRange),
    chance: (zone) => zone.chance_pays,
  };
  const spoken = {
    advice: (zone) => words["advice_" + zone.advice],
    loss: (zone) => show.percent(zone.loss_pct),
    yield: (zone) => show.crop(VM.yieldIn(zone, state.vintage)),
    chance: (zone) => show.chance(zone.chance_pays),
  };
  const tagText = {
    advice: (zone) => words["letter_" + zone.advice] || "?",
    loss: (zone) => show.percent(zone.loss_pct),
    yield: (zone) => show.cropNumber(VM.yieldIn(zone, state.vintage)),
    chance: (zone) => show.chance(zone.chance_pays),
  };

  // ---------------------------------------------------------------- surfaces: levels are read out of their images once, ahead of time while the page rests
  const setName = (kind, vintage) => (kind === "loss" ? kind : `${kind} ${vintage}`), sets = new Map(), ready = new Map(), drawn = new Map();
  for (const image of data.surfaces.images) {
    const name = setName(image.kind, image.vintage);
    sets.set(name, [...(sets.get(name) || []), image]);
  }
  const hasFine = (mode) => data.surfaces.images.some((image) => image.kind === mode);
  const wanted = () => (state.fine && (state.mode === "yield" || state.mode === "loss") ? setName(state.mode, state.vintage) : "");
  const scratch = make("canvas"), reader = scratch.getContext("2d", { willReadFrequently: true });
  async function readLevels(image) {
    const picture = new Image();
    picture.src = image.png;
    await picture.decode();
    const { width, height } = picture;
    if (scratch.width < width || scratch.height < height) Object.assign(scratch, { width: Math.max(scratch.width, width), height: Math.max(scratch.height, height) });
    reader.clearRect(0, 0, width, height);
    reader.drawImage(picture, 0, 0);
    const grey = reader.getImageData(0, 0, width, height).data, levels = new Uint8Array(width * height);
    for (let at = 0; at < levels.length; at++) levels[at] = grey[4 * at];
    return { image, width, height, levels };
  }
  const reading = new Map();
  function readSet(name) {
    if (!reading.has(name)) reading.set(name, Promise.all((sets.get(name) || []).map(readLevels)).then((entries) => { ready.set(name, new Map(entries.map((one) => [one.image.block_id, one]))); }));
    return reading.get(name);
  }
  async function readAhead() { // the loss and the last vintages first
    const rest = window.requestIdleCallback ? () => new Promise((done) => window.requestIdleCallback(done, { timeout: 2000 })) : () => new Promise((done) => setTimeout(done, 100));
    for (const name of [...sets.keys()].sort().reverse().sort((a, b) => (b === "loss") - (a === "loss"))) { await rest(); await readSet(name); }
  }
  const inks = {};
  function inkOf(kind) { // colour of each level as it lies in a picture; none for "no data"
    if (inks[kind]) return inks[kind];
    const bytes = new Uint8ClampedArray(4 * 256);
    for (let level = 1; level < 256; level++) bytes.set([...VM.mix(data.ramps[kind], (level - 1) / data.surfaces.steps), 255], 4 * level);
    return (inks[kind] = new Uint32Array(bytes.buffer));
  }
  function paintSurface({ image, width, height, levels }) { // on the block's own canvas, used again for every vintage
    if (!drawn.has(image.block_id)) drawn.set(image.block_id, { canvas: make("canvas"), layer: null });
    const mine = drawn.get(image.block_id), { canvas } = mine, ink = inkOf(image.kind);
    if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, { width, height });
    const pixels = new ImageData(width, height), cells = new Uint32Array(pixels.data.buffer);
    for (let at = 0; at < cells.length; at++) cells[at] = ink[levels[at]];
    canvas.getContext("2d").putImageData(pixels, 0, 0);
    if (!mine.layer) mine.layer = L.svgOverlay(canvas, image.bounds, { pane: "surfaces", interactive: false }); // takes any element
    else mine.layer.setBounds(L.latLngBounds(image.bounds));
    if (!images.hasLayer(mine.layer)) mine.layer.addTo(images);
  }
  let shown = new Map(); // by block, what lies on the map
  function drawSurfaces() {
    const name = wanted();
    shown = ready.get(name) || new Map();
    if (name && !ready.has(name) && sets.has(name)) readSet(name).then(() => { if (name === wanted()) { drawSurfaces(); paint(); } });
    if (name && !shown.size && sets.has(name)) return; // what lies there stays until the new is read
    for (const [block, { layer }] of drawn) if (!shown.has(block)) images.removeLayer(layer);
    for (const entry of shown.values()) paintSurface(entry);
    if (shown.size) images.addTo(map); else images.remove();
  }
  function readOut(where) {
    for (const { image, width, height, levels } of shown.values()) {
      if (!L.latLngBounds(image.bounds).contains(where)) continue;
      const [[south, west], [north, east]] = image.bounds, project = (lat, lng) => L.Projection.SphericalMercator.project(L.latLng(lat, lng));
      const here = project(where.lat, where.lng), lower = project(south, west), upper = project(north, east);
      const column = Math.min(width - 1, Math.floor(width * (here.x - lower.x) / (upper.x - lower.x)));
      const row = Math.min(height - 1, Math.floor(height * (upper.y - here.y) / (upper.y - lower.y)));
      const level = levels[row * width + column];
      if (!level) continue;
      const [low, high] = data.surfaces.ranges[image.kind];
      const value = low + (high - low) * (level - 1) / data.surfaces.steps;
      return { value, beyond: level === 1 ? "≤ " : level === data.surfaces.steps + 1 ? "≥ " : "" };
    }
    return null;
  }

  // ---------------------------------------------------------------- zones
  const covered = (zone) => shown.has(zone.block_id);
  function style(zone) {
    const picked = zone.zone_id === state.zone, other = zone.zone_id === state.other;
    const fill = state.mode === "advice" ? `url(#hatch-${zone.advice})` : VM.colour(state.mode, values[state.mode](zone));
    return { fillColor: fill, fillOpacity: covered(zone) ? 0 : 1, color: other ? "#8a5800" : !picked && state.mode === "advice" && zone.advice === "renew" ? "#fbf9f4" : "#25211c", weight: picked ? 4 : other ? 3 : 1, opacity: 1, dashArray: other && !picked ? "6 4" : null };
  }
  function addZones() {
    for (const zone of zones) {
      const path = L.polygon(zone.rings, { ...style(zone), className: "zone" });
      const name = make("span");
      path.bindTooltip(name, { className: "name", sticky: true, direction: "top", offset: [0, -6] });
      path.on("tooltipopen mouseover", () => { name.textContent = `${VM.fullName(zone)}: ${spoken[state.mode](zone)}`; });
      path.on("click", () => VM.change({ zone: zone.zone_id, from: "map" }));
      path.addTo(map);
      paths.set(zone.zone_id, path);
      const node = path.getElement();
      node.setAttribute("role", "button");
      node.addEventListener("keydown", (event) => keys(event, zone));
    }
    for (const block of data.blocks) L.polygon(block.rings, { pane: "frames", fill: false, color: "#25211c", weight: 1.6, interactive: false }).addTo(map);
  }
  function keys(event, zone) {
    const at = zones.indexOf(zone), step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    if (event.key === "Enter" || event.key === " ") VM.change({ zone: zone.zone_id, from: "map" });
    else if (step) focusZone(zones[(at + step + zones.length) % zones.length]);
    else return;
    event.preventDefault();
    event.stopPropagation();
  }
  function focusZone(zone) {
    roving(zone);
    const path = paths.get(zone.zone_id);
    if (!map.getBounds().contains(zone.label)) map.panTo(zone.label);
    path.bringToFront();
    path.getElement().focus();
  }
  function roving(zone) {
    for (const [id, path] of paths) path.getElement().setAttribute("tabindex", id === zone.zone_id ? "0" : "-1");
  }
  const painted = new Map();
  function paint() {
    for (const zone of zones) {
      const path = paths.get(zone.zone_id), node = path.getElement();
      const look = style(zone), label = `${VM.fullName(zone)}: ${words["advice_" + zone.advice]}; ${spoken[state.mode](zone)}`, pressed = String(zone.zone_id === state.zone);
      const key = [...Object.values(look), label, pressed].join("|"); // what stays as it is costs nothing
      if (painted.get(zone.zone_id) === key) continue;
      painted.set(zone.zone_id, key);
      path.setStyle(look);
      node.setAttribute("aria-label", label);
      node.setAttribute("aria-pressed", pressed);
    }
    if (state.other && paths.has(state.other)) paths.get(state.other).bringToFront();
    if (state.zone) paths.get(state.zone).bringToFront();
    drawTags();
    drawLegend();
  }

  // ---------------------------------------------------------------- letters and names, none over another
  const TAG_ROOM = 26; // side [px] of a zone below which a letter would hide it
  const pixelsPerMetre = () => 2 ** map.getZoom() / (156543.034 * Math.cos(map.getCenter().lat * Math.PI / 180));
  let taken = []; // boxes on the screen that hold a letter or a name
  const pen = make("canvas").getContext("2d");
  pen.font = `italic 600 13px ${getComputedStyle(document.body).fontFamily}`;
  const overlap = (one, other) => one[0] < other[2] && one[2] > other[0] && one[1] < other[3] && one[3] > other[1];
  function outlineOf(rings) { // on the screen, with the box around it
    const lines = rings.flat(1).map((ring) => ring.map((where) => { const at = map.latLngToContainerPoint(where); return [at.x, at.y]; }));
    const all = lines.flat(), xs = all.map((one) => one[0]), ys = all.map((one) => one[1]);
    return { lines, box: [Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys)] };
  }
  function cuts([x1, y1], [x2, y2], box) { // does this edge touch the box? Liang and Barsky's clipping
    let from = 0, to = 1;
    for (const [step, room] of [[x1 - x2, x1 - box[0]], [x2 - x1, box[2] - x1], [y1 - y2, y1 - box[1]], [y2 - y1, box[3] - y1]]) {
      if (step === 0) { if (room < 0) return false; continue; }
      if (step < 0) from = Math.max(from, room / step); else to = Math.min(to, room / step);
      if (from > to) return false;
    }
    return true;
  }
  const crosses = (outline, box) => overlap(outline.box, box) && outline.lines.some((line) => line.some((point, at) => cuts(point, line[(at + 1) % line.length], box)));
  function holds(outline, [x, y]) {
    let inside = false;
    for (const line of outline.lines) line.forEach(([x1, y1], at) => {
      const [x2, y2] = line[(at + 1) % line.length];
      if ((y1 > y) !== (y2 > y) && x < (x2 - x1) * (y - y1) / (y2 - y1) + x1) inside = !inside;
    });
    return inside;
  }
  const SHARES = [0.5, 0.36, 0.64, 0.24, 0.76, 0.14, 0.86];
  const INSIDE = SHARES.flatMap((across) => SHARES.map((down) => [across, down])).sort((a, b) => Math.hypot(a[0] - 0.5, a[1] - 0.5) - Math.hypot(b[0] - 0.5, b[1] - 0.5));
  function spotFor(block, outlines, wide, taken) { // inside one zone, else beside the block, else inside over a border; else nowhere
    const own = outlines.blocks.get(block.block_id), [x0, y0, x1, y1] = own.box;
    const boxAt = ([x, y]) => [x - wide / 2, y - 10, x + wide / 2, y + 10];
    const free = (box) => !taken.some((one) => overlap(box, one));
    const inside = INSIDE.map(([across, down]) => [x0 + across * (x1 - x0), y0 + down * (y1 - y0)]).filter((at) => holds(own, at) && free(boxAt(at)) && !crosses(own, boxAt(at)));
    const near = outlines.zones.filter((one) => overlap(one.box, [x0 - wide, y0 - 30, x1 + wide, y1 + 30]));
    const whole = inside.find((at) => !near.some((one) => crosses(one, boxAt(at))));
    if (whole) return whole;
    const points = own.lines.flat(), most = (sign, axis) => points.reduce((best, one) => (sign * one[axis] > sign * best[axis] ? one : best));
    const north = most(-1, 1), south = most(1, 1), east = most(1, 0), west = most(-1, 0);
    const beside = [[north[0], north[1] - 13], [(x0 + x1) / 2, y0 - 13], [south[0], south[1] + 13], [east[0] + 4 + wide / 2, east[1]], [west[0] - 4 - wide / 2, west[1]]];
    const shown = map.getSize(), seen = ([left, above, right, below]) => left > 0 && above > 0 && right < shown.x && below < shown.y;
    return beside.find((at) => seen(boxAt(at)) && free(boxAt(at)) && !near.some((one) => crosses(one, boxAt(at)) || holds(one, at))) || inside[0] || null;
  }
  const pressing = zones.slice(); // who comes first keeps its letter
  let tagged = "", outlines = null, letters = new Map(); // where they stand, the screen and the letters by zone, until the map moves
  const widthOf = (text) => 14 + 7 * text.length, kindOf = (zone) => (state.mode === "advice" ? zone.advice : "value");
  function drawTags(afresh = false) {
    const widths = pressing.map((zone) => widthOf(tagText[state.mode](zone))).join(" ");
    if (afresh || widths !== tagged) placeTags();
    else for (const [zone, letter] of letters) writeTag(letter, tagText[state.mode](zone), kindOf(zone));
    tagged = widths;
  }
  function writeTag(letter, text, kind) {
    if (letter.text === text && letter.kind === kind) return;
    Object.assign(letter, { text, kind });
    letter.node.textContent = text;
    letter.node.className = kind;
  }
  function placeTags() {
    tags.clearLayers();
    letters = new Map();
    const side = pixelsPerMetre();
    taken = [];
    const put = (at, text, kind, tag, width) => {
      taken.push([at[0] - width / 2, at[1] - 10, at[0] + width / 2, at[1] + 10]);
      const node = make(tag, { class: kind }, text), icon = L.divIcon({ className: "tag", iconSize: [width, 18], html: node });
      L.marker(map.containerPointToLatLng(at), { icon, interactive: false, keyboard: false, pane: "marks" }).addTo(tags);
      return { node, text, kind };
    };
    const roomy = (one) => Math.sqrt((one.area_ha || 0) * 1e4) * side >= TAG_ROOM;
    for (const zone of pressing) {
      if (!roomy(zone)) continue;
      const text = tagText[state.mode](zone), width = widthOf(text), { x, y } = map.latLngToContainerPoint(zone.label);
      if (!taken.some((one) => overlap(one, [x - width / 2, y - 10, x + width / 2, y + 10]))) letters.set(zone, put([x, y], text, kindOf(zone), "b", width));
    }
    outlines ||= { zones: zones.map((zone) => outlineOf(zone.rings)), blocks: new Map(data.blocks.map((block) => [block.block_id, outlineOf(block.rings)])) };
    for (const block of data.blocks) {
      if (!roomy(block)) continue;
      const text = block.name || block.block_id, wide = Math.ceil(pen.measureText(text).width) + 12;
      const spot = spotFor(block, outlines, wide, taken);
      if (spot) put(spot, text, "block", "i", wide);
    }
  }

  // ---------------------------------------------------------------- picked zone
  function drawDetail(zone) {
    detail.clearLayers();
    if (!zone) return;
    const [west, south] = data.origin, back = (x, y) => [south + y / 1e6, west + x / 1e6];
    const lines = (data.rows[zone.zone_id] || []).map((one) => [back(one[3], one[4]), back(one[5], one[6])]);
    if (lines.length && pixelsPerMetre() >= 1.3) L.polyline(lines, { pane: "frames", color: zone.advice === "renew" && state.mode === "advice" ? "#ffffff" : "#25211c", weight: 0.8, opacity: 0.45, interactive: false }).addTo(detail);
    if (Math.sqrt((zone.area_ha || 0) * 1e4) * pixelsPerMetre() < 2 * TAG_ROOM) return;
    const numbered = taken.slice();
    for (const [lat, lng, order] of data.points[zone.zone_id] || []) {
      const { x, y } = map.latLngToContainerPoint([lat, lng]), box = [x - 10, y - 9, x + 10, y + 9], crowded = numbered.some((one) => overlap(one, box));
      if (!crowded) numbered.push(box);
      const icon = L.divIcon({ className: "tag point", iconSize: crowded ? [8, 8] : [20, 18], html: crowded ? make("s") : make("b", {}, String(order)) });
      L.marker([lat, lng], { icon, interactive: false, keyboard: false, pane: "marks", zIndexOffset: crowded ? -1e4 : 0 }).addTo(detail);
    }
  }
  function visit(zone) {
    const path = paths.get(zone.zone_id);
    if (!map.getBounds().contains(path.getBounds())) map.fitBounds(path.getBounds(), { maxZoom: 17, padding: [40, 40] });
  }

  // ---------------------------------------------------------------- legend
  function bar(ramp, labels) {
    const parts = Array.from({ length: 32 }, (_, at) => make("rect", { x: at * 8, y: 0, width: 8.5, height: 14, fill: VM.colour(ramp, at / 31) }));
    const text = labels.map(([at, label]) => make("text", { x: 256 * at, y: 28, "text-anchor": at === 0 ? "start" : at === 1 ? "end" : "middle", "font-size": 12, fill: "#25211c" }, label));
    return make("svg", { width: 256, height: 32, viewBox: "0 0 256 32", role: "img", "aria-label": labels.map((one) => one[1]).join(" – ") }, ...parts, make("rect", { x: 0.5, y: 0.5, width: 255, height: 13, fill: "none", stroke: "#25211c" }), ...text);
  }
  function drawLegend() {
    const box = document.getElementById("legend"), middle = ([low, high]) => (low + high) / 2;
    const title = make("strong", {}, word("legend_" + state.mode, { vintage: state.vintage }));
    if (state.mode === "advice") {
      const counts = ["renew", "scout", "watch", "keep"].map((advice) => {
        const mine = zones.filter((zone) => zone.advice === advice), area = mine.reduce((sum, zone) => sum + (zone.area_ha || 0), 0);
        return make("span", {}, VM.swatch(advice), `(${words["letter_" + advice]}) ${mine.length}${mine.length ? ": " + show.area(area) : ""}`);
      });
      box.replaceChildren(title, ...counts);
      return;
    }
    const scales = { loss: [lossRange, show.percent], yield: [yieldRange, show.crop], chance: [[0, 1], show.chance] }, [range, how] = scales[state.mode];
    const none = make("span", {}, make("svg", { width: 26, height: 14, "aria-hidden": "true" }, make("rect", { x: 0.5, y: 0.5, width: 25, height: 13, fill: data.no_value, stroke: "#25211c" })), words.no_value);
    box.replaceChildren(title, bar(state.mode, [[0, how(range[0])], [0.5, how(middle(range))], [1, how(range[1])]]), none, ...(state.mode === "chance" || hasFine(state.mode) ? [] : [make("em", {}, words.no_surface)]));
  }

  // ---------------------------------------------------------------- frame
  function controls() {
    L.control.zoom({ position: "topright", zoomInTitle: words.zoom_in, zoomOutTitle: words.zoom_out }).addTo(map);
    const frame = L.control({ position: "topright" });
    frame.onAdd = () => {
      const link = make("a", { href: "#", role: "button", title: words.whole_estate, "aria-label": words.whole_estate, class: "whole" }, "◱");
      L.DomEvent.on(link, "click", (event) => { L.DomEvent.stop(event); whole(); });
      return make("div", { class: "leaflet-bar leaflet-control" }, link);
    };
    frame.addTo(map);
    let scale = null;
    const rescale = () => {
      if (scale) scale.remove();
      scale = L.control.scale({ metric: state.units === "metric", imperial: state.units === "us", maxWidth: 140 }).addTo(map);
    };
    rescale();
    VM.onChange((part) => { if ("units" in part) rescale(); });
    map.on("focus click", () => map.scrollWheelZoom.enable());
    map.getContainer().addEventListener("mouseleave", () => map.scrollWheelZoom.disable());
  }
  function whole() { map.fitBounds(data.bounds, { padding: [18, 18], animate: false }); }
  whole();
  addZones();
  controls();
  roving(zones[0]);
  paint();
  const sides = zones.map((zone) => Math.sqrt((zone.area_ha || 0) * 1e4)).sort((a, b) => a - b), usual = sides[sides.length >> 1], FAR = 14; // px: there outlines would cover what they enclose
  const thin = () => map.getContainer().classList.toggle("far", usual * pixelsPerMetre() < FAR);
  thin();
  map.on("zoomend resize", thin);
  map.on("moveend viewreset resize", () => { outlines = null; });
  map.on("zoomend resize", () => { outlines = null; drawTags(true); drawDetail(VM.byId.get(state.zone)); });
  map.on("mousemove click", (event) => {
    const found = readOut(event.latlng), how = state.mode === "loss" ? show.percent : show.crop;
    document.getElementById("here").textContent = found ? `${words.here}: ${found.beyond}${how(found.value)}` : "";
  });
  VM.onChange((part) => {
    if ("mode" in part || "vintage" in part || "fine" in part) drawSurfaces();
    if ("zone" in part && state.zone) {
      const zone = VM.byId.get(state.zone);
      roving(zone);
      if (part.from !== "map" && part.from !== "start") visit(zone);
      drawDetail(zone);
    }
    paint();
    if ("mode" in part) drawDetail(VM.byId.get(state.zone));
  });
  let before = null; // what the reader looks at while the whole estate is drawn for paper
  function forPaper(on) {
    if (on) before = [map.getCenter(), map.getZoom()];
    map.invalidateSize({ animate: false });
    if (on) whole();
    else if (before) map.setView(...before, { animate: false });
  }
  return { hasFine, readAhead, readOut, focusZone, forPaper };
})(vinemap_map);
