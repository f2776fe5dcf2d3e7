// Opens a picture of the strip large, in the page. Without this script the links open the drawing's file.
(() => {
  const large = document.querySelector(".large");
  const links = [...document.querySelectorAll(".pictures a")];
  if (!large || !links.length) return;
  const [picture, name, words, close] = ["img", "b", "span", "button"].map((s) => large.querySelector(s));
  const files = [...large.querySelectorAll("a")];
  let chosen = null;
  const show = (link) => {
    if (chosen) chosen.removeAttribute("data-chosen");
    chosen = link;
    large.hidden = !link;
    if (!link) return;
    link.setAttribute("data-chosen", "");
    const small = link.querySelector("img");
    picture.src = small.src;
    picture.alt = small.alt;
    name.textContent = link.dataset.name;
    words.textContent = link.dataset.words;
    files.forEach((file) => (file.href = link.href));
    link.scrollIntoView({ block: "nearest", inline: "nearest" });
  };
  links.forEach((link) =>
    link.addEventListener("click", (event) => {
      if (event.ctrlKey || event.metaKey || event.shiftKey) return;
      event.preventDefault();
      show(link === chosen ? null : link);
    }),
  );
  close.addEventListener("click", () => {
    const last = chosen;
    show(null);
    if (last) last.focus();
  });
  document.querySelector(".pictures").addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    const at = links.indexOf(document.activeElement);
    if (!step || at < 0) return;
    event.preventDefault();
    const next = links[Math.min(links.length - 1, Math.max(0, at + step))];
    next.focus();
    if (chosen) show(next);
  });
})();
