// Runs before anything is painted: the reader's choice of light or dark, else the device's own.
(() => {
  let kept = null;
  try { kept = localStorage.getItem("soaktally-theme"); } catch { /* storage may be closed to us */ }
  const dark = matchMedia("(prefers-color-scheme: dark)").matches;
  document.documentElement.dataset.theme = kept || (dark ? "dark" : "light");
})();
