// A photo that can be zoomed and moved with wheel, drag, pinch, double tap, buttons or keys, with outlines
// of findings on top. All texts are set as text, never as HTML.
const views = new WeakMap();

function build(root) {
  const box = root.querySelector(".stage");
  const view = { box, img: root.querySelector("img"), layer: root.querySelector(".layer"),
    marks: root.querySelector("svg"), zoom: 1, x: 0, y: 0, pointers: new Map(), id: null, ahead: null };
  const place = () => { view.layer.style.transform = `translate(${view.x}px, ${view.y}px) scale(${view.zoom})`; };
  const clamp = () => {
    const roomX = box.clientWidth * (view.zoom - 1), roomY = box.clientHeight * (view.zoom - 1);
    view.x = Math.min(0, Math.max(-roomX, view.x));
    view.y = Math.min(0, Math.max(-roomY, view.y));
  };
  view.zoomTo = (zoom, atX, atY) => {
    const next = Math.min(12, Math.max(1, zoom));
    view.x = atX - (atX - view.x) * (next / view.zoom);
    view.y = atY - (atY - view.y) * (next / view.zoom);
    view.zoom = next;
    clamp();
    place();
  };
  // The photo lies whole in the stage, with bars beside or above it where the shapes differ.
  view.show = (focus, width, height) => {
    view.reset();
    if (!focus) return;
    const fit = Math.min(box.clientWidth / width, box.clientHeight / height);
    const left = (box.clientWidth - width * fit) / 2, top = (box.clientHeight - height * fit) / 2;
    const wide = (focus[2] - focus[0]) * fit, high = (focus[3] - focus[1]) * fit;
    if (!(wide > 0 && high > 0)) return;
    view.zoom = Math.min(6, Math.max(1, Math.min(box.clientWidth / wide, box.clientHeight / high) * 0.8));
    view.x = box.clientWidth / 2 - (left + (focus[0] + focus[2]) / 2 * fit) * view.zoom;
    view.y = box.clientHeight / 2 - (top + (focus[1] + focus[3]) / 2 * fit) * view.zoom;
    clamp();
    place();
  };
  view.reset = () => { view.zoom = 1; view.x = 0; view.y = 0; place(); };
  const middle = () => [box.clientWidth / 2, box.clientHeight / 2];
  const spot = (event) => {
    const edge = box.getBoundingClientRect();
    return [event.clientX - edge.left, event.clientY - edge.top];
  };
  box.addEventListener("wheel", (event) => {
    event.preventDefault();
    view.zoomTo(view.zoom * Math.exp(-event.deltaY * 0.002), ...spot(event));
  }, { passive: false });
  box.addEventListener("dblclick", (event) => view.zoomTo(view.zoom > 1.5 ? 1 : 3, ...spot(event)));
  box.addEventListener("pointerdown", (event) => {
    if (event.target.closest("button")) return;
    box.setPointerCapture(event.pointerId);
    view.pointers.set(event.pointerId, spot(event));
  });
  box.addEventListener("pointermove", (event) => {
    const before = view.pointers.get(event.pointerId);
    if (!before) return;
    const now = spot(event), others = [...view.pointers].filter(([id]) => id !== event.pointerId);
    if (others.length) {
      const other = others[0][1], gap = (p) => Math.hypot(p[0] - other[0], p[1] - other[1]) || 1;
      view.zoomTo(view.zoom * gap(now) / gap(before), (now[0] + other[0]) / 2, (now[1] + other[1]) / 2);
    } else if (view.zoom > 1) {
      view.x += now[0] - before[0];
      view.y += now[1] - before[1];
      clamp();
      place();
    }
    view.pointers.set(event.pointerId, now);
    // A finger may scroll the page past a photo that is not zoomed in.
    box.style.touchAction = view.zoom > 1 ? "none" : "pan-y";
  });
  for (const end of ["pointerup", "pointercancel"])
    box.addEventListener(end, (event) => view.pointers.delete(event.pointerId));
  box.addEventListener("keydown", (event) => {
    const moves = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] };
    if (event.key === "+" || event.key === "=") view.zoomTo(view.zoom * 1.5, ...middle());
    else if (event.key === "-") view.zoomTo(view.zoom / 1.5, ...middle());
    else if (event.key === "0") view.reset();
    else if (moves[event.key] && view.zoom > 1) {
      view.x += moves[event.key][0];
      view.y += moves[event.key][1];
      clamp();
      place();
    } else return;
    event.preventDefault();
    event.stopPropagation();
  });
  root.querySelector(".in").onclick = () => view.zoomTo(view.zoom * 1.6, ...middle());
  root.querySelector(".out").onclick = () => view.zoomTo(view.zoom / 1.6, ...middle());
  root.querySelector(".whole").onclick = view.reset;
  return view;
}

function outline(svg, marks, width, height) {
  const space = "http://www.w3.org/2000/svg";
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  svg.replaceChildren();
  for (const mark of marks) {
    const words = document.createElementNS(space, "title");
    words.textContent = mark.words;
    for (const [colour, size] of [["#FFFFFF", 5], [mark.colour, 2.5]]) {
      const shape = document.createElementNS(space, "polygon");
      shape.setAttribute("points", mark.points.map((point) => point.join(",")).join(" "));
      shape.setAttribute("fill", "none");
      shape.setAttribute("stroke", colour);
      shape.setAttribute("stroke-width", size);
      shape.setAttribute("vector-effect", "non-scaling-stroke");
      svg.appendChild(shape);
    }
    const letter = document.createElementNS(space, "text");
    letter.setAttribute("x", mark.at[0]);
    letter.setAttribute("y", mark.at[1] + mark.size * 0.36);
    letter.setAttribute("class", "letter");
    letter.setAttribute("font-size", mark.size);
    letter.setAttribute("stroke-width", mark.size * 0.18);
    letter.setAttribute("fill", mark.colour);
    letter.textContent = mark.letter;
    svg.append(letter, words);
  }
}

export default function (component) {
  const { parentElement: root, data } = component;
  if (!data) return;
  let view = views.get(root);
  if (!view) views.set(root, (view = build(root)));
  outline(view.marks, data.marks, data.width, data.height);
  view.box.setAttribute("aria-label", data.alt);
  view.box.style.aspectRatio = `${data.width} / ${data.height}`;
  if (view.id !== data.id) {
    view.id = data.id;
    view.show(data.focus, data.width, data.height);
    view.img.alt = data.alt;
    view.img.src = data.src;
    view.img.decode().catch(() => {}).then(() => {
      // Two frames later the decoded photo is on the screen, not only ready to be drawn.
      const shown = () => { if (view.id === data.id) root.host?.setAttribute("data-painted", data.id); };
      requestAnimationFrame(() => requestAnimationFrame(shown));
    });
  }
  if (data.ahead) {
    // Decoding the next photo now is what lets it appear at once.
    view.ahead = new Image();
    view.ahead.src = data.ahead;
    view.ahead.decode().catch(() => {});
  }
}
