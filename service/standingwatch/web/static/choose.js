// The list of alarms: "all shown" ticks every box in sight, and the count says how many are ticked. Without script
// the list works as well: the service knows which alarms the page showed.
"use strict";
(() => {
  const form = document.getElementById("acting");
  const all = document.getElementById("all-shown");
  const count = document.getElementById("chosen-count");
  if (!form || !count) return;
  const boxes = [...form.querySelectorAll("input[name=chosen]")];

  function tell() {
    const ticked = boxes.filter((box) => box.checked).length;
    count.hidden = false;
    count.textContent = ticked + " chosen";
    if (all) {
      all.checked = ticked === boxes.length;
      all.indeterminate = ticked > 0 && ticked < boxes.length;
    }
  }

  form.addEventListener("change", (event) => {
    if (event.target === all) for (const box of boxes) box.checked = all.checked;
    if (event.target === all || boxes.includes(event.target)) tell();
  });
  // A page that the browser shows again on going back may have boxes ticked.
  addEventListener("pageshow", tell);
})();
