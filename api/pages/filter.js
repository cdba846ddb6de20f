// Narrows the reference to the operations whose text holds every word typed.
// The page is whole without it.
(() => {
  const box = document.getElementById("filter");
  const found = document.getElementById("found");
  const operations = [...document.querySelectorAll(".operation")].map((at) => ({
    at,
    entry: document.querySelector(`[data-for="${at.id}"]`),
    text: at.textContent.toLowerCase(),
  }));
  const tags = [...document.querySelectorAll(".tag")].map((at) => ({
    at,
    entry: document.querySelector(`[data-for="${at.id}"]`),
  }));
  box.closest("p").hidden = false;
  if (matchMedia("(max-width: 63.99rem)").matches && !location.hash) {
    document.querySelector(".contents details").open = false;
  }
  box.addEventListener("input", () => {
    const words = box.value.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const { at, entry, text } of operations) {
      const hide = !words.every((word) => text.includes(word));
      at.hidden = hide;
      entry.hidden = hide;
      shown += hide ? 0 : 1;
    }
    for (const { at, entry } of tags) {
      at.hidden = entry.hidden = !at.querySelector(".operation:not([hidden])");
    }
    found.textContent = words.length ? `${shown} found` : "";
  });
})();
