// The list of records beside the plate: which are shown, with how much of their ink, and why one is not.

// Gives what the list does when a record was loaded or is shown from elsewhere.
export function openRecords(scene, on) {
  const list = document.getElementById("plate-records");
  const form = document.getElementById("plate-record");
  list.replaceChildren();
  const lines = new Map(scene.layers.map((layer) => [layer, line(layer)]));
  scene.records = () => {
    for (const [layer, tied] of lines) tied.say(layer);
    scene.shownChanged?.();
    scene.draw();
  };
  list.append(...[...lines.values()].map(({ item }) => item));

  function line(layer) {
    const item = form.content.firstElementChild.cloneNode(true);
    const [tick, range] = item.querySelectorAll("input");
    const [swatch, name] = item.querySelectorAll("label span");
    const [share, words, why] = [item.querySelector(".plate-share"), item.querySelector("output"), item.querySelector("p")];
    swatch.classList.add(`ink-${layer.told.role}`);
    name.textContent = layer.told.name;
    range.setAttribute("aria-label", `${layer.told.name}: share of ink`);
    tick.disabled = true;
    item.dataset.role = layer.told.role;
    let kept = layer.share || 1;
    const show = (value) => {
      if (layer.isApart && value > 0) for (const other of scene.layers) if (other !== layer) other.show(0);
      if (!layer.isApart && value > 0) for (const other of scene.layers) if (other.isApart) other.show(0);
      layer.show(value);
      scene.records();
      if (layer.isApart && value > 0) {
        scene.isFirst = true;
        scene.frame();
      }
    };
    on(tick, "change", () => show(tick.checked ? kept : 0));
    on(range, "input", () => show((kept = Number(range.value) / 100)));
    return {
      item,
      show,
      say() {
        const isThere = Boolean(layer.mesh);
        tick.disabled = !isThere;
        tick.checked = layer.isShown;
        share.hidden = !layer.isShown;
        kept = layer.share || kept;
        range.value = Math.round(kept * 100);
        words.textContent = `${Math.round(kept * 100)} %`;
        why.textContent = layer.told.says && isThere ? `${layer.told.says} Shown by itself, in the frame of its file.` : layer.told.says;
        why.hidden = !layer.told.says;
        item.classList.toggle("is-lacking", !isThere);
      },
    };
  }

  scene.records();
  return {
    loaded: (layer) => lines.get(layer).say(),
    show: (layer, share) => lines.get(layer).show(share),
  };
}
