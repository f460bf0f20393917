// The code that a scanned address carries behind its #, which no server is told and no history of requests keeps.
const carried = decodeURIComponent(location.hash.slice(1));
if (carried) {
  history.replaceState(null, "", location.pathname);
  document.getElementById("code").value = carried;
  document.getElementById("door").requestSubmit();
}
