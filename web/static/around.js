// Around the resection: the marks on a film; everything else is plain forms.
import "./live.js";
import { handleMarks } from "./marks.js";

handleMarks();
document.addEventListener("fresh", handleMarks);
