/* Proposes this device's time zone and locale in the fields of a workshop that nobody has named yet. They are shown, and can be changed. */
const zone = document.querySelector("input[data-zone]");
const told = Intl.DateTimeFormat().resolvedOptions().timeZone;
if (zone && told) zone.value = told;

const locale = document.querySelector("input[data-locale]");
const spoken = navigator.language.split("-");
if (locale && spoken.length === 2) locale.value = spoken.join("_");
