// Loaded before anything is drawn, so that what needs scripts stands in its place at once and what replaces it does not.
"use strict";
document.documentElement.classList.add("scripted");
