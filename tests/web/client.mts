import createClient from "openapi-fetch";
import type { paths } from "./api.js";

declare const process: { env: Record<string, string | undefined> };

const client = createClient<paths>({
  baseUrl: process.env["AT"] ?? "",
  headers: { Authorization: `Bearer ${process.env["KEY"] ?? ""}` },
});

const enrolled = await client.POST("/api/v1/enrolments", {
  body: {
    clinic_ref: "F-77",
    name: "Mara Invented",
    zone: "Pacific/Auckland",
    contact: { channel: "text", address: "+447700900077" },
    agreed: { how: "signed form" },
    plan: { opens: "07:00", due: "08:30", closes: "10:00" },
  },
});
if (enrolled.data === undefined) throw new Error(enrolled.error.detail ?? enrolled.error.title);

const reading = { patient: "F-77", taken_at: "2026-11-25T07:10:00+00:00", pa_systolic: 40, pa_diastolic: 20 };
const first = await client.POST("/api/v1/readings", { body: reading });
const again = await client.POST("/api/v1/readings", { body: reading });
if (first.response.status !== 201 || again.response.status !== 200) throw new Error("not recorded, or not once");
const refused = await client.POST("/api/v1/readings", { body: { ...reading, pa_diastolic: 400 } });
const at: string | undefined = refused.error?.errors?.[0]?.field;

const review = await client.GET("/api/v1/patients/{patient_id}/review", {
  params: { path: { patient_id: enrolled.data.id }, query: { days: 7 } },
});
if (review.data === undefined) throw new Error("no review");
const read: (number | null)[] = review.data.days.map((day) => day.pa_diastolic);
const lane: string | undefined = review.data.entry?.lane;
console.log(JSON.stringify({ name: enrolled.data.name, at, read, lane }));
