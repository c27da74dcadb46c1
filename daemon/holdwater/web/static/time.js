// The time of this phone, taken at the moment the button is pressed. Without script the time can be typed.
"use strict";
document.documentElement.classList.add("scripted");
document.addEventListener("submit", (event) => {
  const field = event.target.elements.ms;
  if (field) field.value = String(Date.now());
});
