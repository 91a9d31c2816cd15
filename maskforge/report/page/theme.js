"use strict";
const byId = (id) => document.getElementById(id);
const compare = new Intl.Collator("en", { numeric: true }).compare;

/* --- theme --------------------------------------------------------------------------------- */
const themeButton = byId("theme");
const prefersDark = matchMedia("(prefers-color-scheme: dark)");
const isDark = () => {
  const asked = document.documentElement.dataset.theme;
  return asked ? asked === "dark" : prefersDark.matches;
};
function nameTheme() {
  themeButton.textContent = isDark() ? "Light page" : "Dark page";
  dispatchEvent(new Event("themed"));
}
themeButton.addEventListener("click", () => {
  document.documentElement.dataset.theme = isDark() ? "light" : "dark";
  nameTheme();
});
prefersDark.addEventListener("change", nameTheme);
themeButton.hidden = false;
nameTheme();
