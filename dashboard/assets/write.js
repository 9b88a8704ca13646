/* Writes of all pages: window.nestWrite(path, body) sends one, with the token of who is signed in. Buttons and forms with
   data-write need no script of their own: data-write is the path, data-body the JSON (a form adds its fields by name),
   data-then="reload" loads the page anew; else a "written" event bubbles up with the answer. */
(function () {
  "use strict";
  var notice = document.getElementById("notice");
  function token() { var meta = document.querySelector('meta[name="write-token"]'); return meta ? meta.content : ""; }
  function signIn() { location.assign("/sign-in?next=" + encodeURIComponent(location.pathname + location.search + location.hash)); }
  function say(lines) {
    notice.classList.toggle("refused", lines.length > 0);
    notice.textContent = lines.join(" · ");
  }

  window.nestWrite = function (path, body) {
    if (!token()) { signIn(); return Promise.reject(new Error("not signed in")); }
    return fetch(path, {
      method: "POST", cache: "no-store", credentials: "same-origin",
      headers: { "Content-Type": "application/json", "X-Write-Token": token() }, body: JSON.stringify(body)
    }).catch(function () { throw [document.body.dataset.notWritten]; })
      .then(function (answer) {
        if (answer.status === 401) { signIn(); }
        return answer.json().catch(function () { return {}; }).then(function (found) {
          if (!answer.ok) {
            var problems = found.problems || [document.body.dataset.notWritten];
            problems.status = answer.status;
            throw problems;
          }
          say([]);
          return found;
        });
      })
      .catch(function (problems) { say(Array.isArray(problems) ? problems : [String(problems)]); throw problems; });
  };

  function bodyOf(element) {
    var body = JSON.parse(element.dataset.body || "{}");
    if (element.tagName === "FORM") { new FormData(element).forEach(function (value, name) { body[name] = value; }); }
    return body;
  }

  function send(element, buttons) {
    if (element.dataset.busy) { return; }
    element.dataset.busy = "yes";
    buttons.forEach(function (button) { button.setAttribute("aria-disabled", "true"); });
    window.nestWrite(element.dataset.write, bodyOf(element)).then(function (found) {
      if (element.dataset.then === "reload") { location.reload(); return; }
      element.dispatchEvent(new CustomEvent("written", { bubbles: true, detail: found }));
    }).catch(function () {}).finally(function () {
      delete element.dataset.busy;
      buttons.forEach(function (button) { button.removeAttribute("aria-disabled"); });
    });
  }

  document.addEventListener("click", function (event) {
    var button = event.target.closest("button[data-write]");
    if (button) { event.preventDefault(); send(button, [button]); }
  });
  document.addEventListener("submit", function (event) {
    var form = event.target.closest("form[data-write]");
    if (form) { event.preventDefault(); send(form, Array.prototype.slice.call(form.querySelectorAll("button"))); }
  });
})();
