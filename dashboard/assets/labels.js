/* The button that prints. */
(function () {
  "use strict";
  var button = document.getElementById("print");
  if (button) { button.addEventListener("click", function () { window.print(); }); }
})();
