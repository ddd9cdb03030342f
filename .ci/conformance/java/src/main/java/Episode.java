import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.parser.StrictErrorHandler;
import ca.uhn.fhir.rest.api.MethodOutcome;
import ca.uhn.fhir.rest.api.SearchStyleEnum;
import ca.uhn.fhir.rest.api.SummaryEnum;
import ca.uhn.fhir.rest.client.api.IGenericClient;
import ca.uhn.fhir.rest.gclient.DateClientParam;
import ca.uhn.fhir.rest.gclient.IQuery;
import ca.uhn.fhir.rest.gclient.StringClientParam;
import ca.uhn.fhir.rest.gclient.TokenClientParam;
import ca.uhn.fhir.rest.server.exceptions.BaseServerResponseException;
import java.net.URI;
import java.net.http.HttpClient;
import java.net.http.HttpRequest;
import java.net.http.HttpResponse;
import java.nio.charset.StandardCharsets;
import java.nio.file.Files;
import java.nio.file.Path;
import java.time.Instant;
import java.util.ArrayList;
import java.util.Date;
import java.util.HashSet;
import java.util.List;
import java.util.Map;
import java.util.Objects;
import java.util.Set;
import java.util.TreeMap;
import java.util.concurrent.Callable;
import java.util.regex.Matcher;
import java.util.regex.Pattern;
import java.util.stream.Collectors;
import java.util.stream.IntStream;
import java.util.stream.Stream;
import org.hl7.fhir.instance.model.api.IBaseBundle;
import org.hl7.fhir.r4.model.Binary;
import org.hl7.fhir.r4.model.Bundle;
import org.hl7.fhir.r4.model.CapabilityStatement;
import org.hl7.fhir.r4.model.CarePlan;
import org.hl7.fhir.r4.model.CodeType;
import org.hl7.fhir.r4.model.CodeableConcept;
import org.hl7.fhir.r4.model.Coding;
import org.hl7.fhir.r4.model.DateTimeType;
import org.hl7.fhir.r4.model.IdType;
import org.hl7.fhir.r4.model.MessageHeader;
import org.hl7.fhir.r4.model.Observation;
import org.hl7.fhir.r4.model.OperationOutcome;
import org.hl7.fhir.r4.model.Parameters;
import org.hl7.fhir.r4.model.Patient;
import org.hl7.fhir.r4.model.Provenance;
import org.hl7.fhir.r4.model.Quantity;
import org.hl7.fhir.r4.model.Reference;
import org.hl7.fhir.r4.model.Resource;
import org.hl7.fhir.r4.model.Subscription;
import org.hl7.fhir.r4.model.Task;

/**
 * Plays one invented episode with HAPI FHIR's client, whose parser refuses whatever R4 does
 * not have. Every step prints a line; the first that is not as it must be ends the program.
 *
 * <pre>java -cp … Episode http://127.0.0.1:8080 event.json</pre>
 */
public final class Episode {
  private static final String NAME = "HAPI FHIR client";
  private static final String LOCAL = "https://fhirsvc.example/fhir/CodeSystem/radial-compression";
  private static final String SNOMED = "http://snomed.info/sct";
  private static final String UCUM = "http://unitsofmeasure.org";
  private static final Coding HAEMOSTASIS = new Coding("http://dicom.nema.org/resources/ontology/DCM", "122033", null);
  private static final String BACKPORT = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition";
  private static final int PAGE = 5;
  private static final int MOST_VISITS = 80;

  /** What the nurse would find, by the code of the finding. */
  private static final Map<String, Coding> FINDINGS =
      Map.of(
          "access-site-bleeding", HAEMOSTASIS,
          "access-site-haematoma", new Coding(SNOMED, "2667000", null),
          "hand-check", new Coding(SNOMED, "17621005", null),
          "radial-patency-test", new Coding(LOCAL, "patent", null),
          "general-condition", new Coding(LOCAL, "well", null),
          "44974-4", new Coding(SNOMED, "12146004", null));

  private final IGenericClient client;
  private final String server;
  private final Bundle event;
  private final HttpClient http = HttpClient.newHttpClient();
  private Hook hook;
  private int steps;
  private CarePlan plan;
  private IdType subscription;

  private Episode(String server, String eventFile) throws Exception {
    FhirContext context = FhirContext.forR4();
    context.setParserErrorHandler(new StrictErrorHandler());
    this.server = server;
    this.client = context.newRestfulGenericClient(server + "/fhir");
    this.event = context.newJsonParser().parseResource(Bundle.class, Files.readString(Path.of(eventFile)));
  }

  public static void main(String[] args) throws Exception {
    Episode episode = new Episode(args[0], args[1]);
    episode.begin();
    episode.look();
    episode.subscribe();
    episode.refusals();
    episode.notified();
    episode.nurse();
    episode.end();
    episode.hook.stop();
    System.out.println(NAME + ": " + episode.steps + " steps");
  }

  /** Does a step and says it. */
  private <T> T step(String what, Callable<T> work) {
    try {
      T result = work.call();
      steps++;
      System.out.println(NAME + "  ok  " + what);
      return result;
    } catch (Exception | AssertionError e) {
      System.err.println(NAME + "  FAILED  " + what);
      if (e instanceof BaseServerResponseException refusal) {
        System.err.println(refusal.getResponseBody());
      }
      e.printStackTrace();
      System.exit(1);
      throw new AssertionError(e);
    }
  }

  private static void same(Object want, Object got) {
    if (!Objects.equals(want, got)) {
      throw new AssertionError("want " + want + ", got " + got);
    }
  }

  private static void holds(boolean fact, String what) {
    if (!fact) {
      throw new AssertionError(what);
    }
  }

  /** What a client must be told of a refusal: the status and an OperationOutcome that says why. */
  private static Void refused(int status, String code, Runnable work) {
    try {
      work.run();
    } catch (BaseServerResponseException e) {
      same(status, e.getStatusCode());
      OperationOutcome outcome = (OperationOutcome) e.getOperationOutcome();
      holds(outcome != null, "there is no OperationOutcome: " + e.getResponseBody());
      same(code, outcome.getIssueFirstRep().getCode().toCode());
      holds(outcome.getIssueFirstRep().getDetails().hasText(), "it says why");
      return null;
    }
    throw new AssertionError("it was done");
  }

  private void begin() {
    step(
        "the CapabilityStatement is of R4 and names what follows",
        () -> {
          CapabilityStatement c = client.capabilities().ofType(CapabilityStatement.class).execute();
          same("4.0.1", c.getFhirVersion().toCode());
          Set<String> ofTask =
              c.getRestFirstRep().getResource().stream()
                  .filter(r -> r.getType().equals("Task"))
                  .flatMap(r -> r.getInteraction().stream())
                  .map(i -> i.getCode().toCode())
                  .collect(Collectors.toSet());
          holds(ofTask.containsAll(Set.of("read", "vread", "history-instance", "search-type", "patch")), "" + ofTask);
          return null;
        });
    String reference = step("$process-message takes the event in", this::send);
    step(
        "the same event again changes nothing",
        () -> {
          same(reference, send());
          return null;
        });
    plan =
        step(
            "the plan can be read",
            () -> {
              CarePlan p = client.read().resource(CarePlan.class).withId(new IdType(reference).getIdPart()).execute();
              same(CarePlan.CarePlanStatus.ACTIVE, p.getStatus());
              holds(p.getActivity().size() > PAGE, "it has Tasks");
              return p;
            });
  }

  private String send() {
    Bundle answer = client.operation().processMessage().setMessageBundle(event).synchronous(Bundle.class).execute();
    MessageHeader header = (MessageHeader) answer.getEntryFirstRep().getResource();
    same(MessageHeader.ResponseType.OK, header.getResponse().getCode());
    return header.getFocusFirstRep().getReference();
  }

  private String subject() {
    return plan.getSubject().getReference();
  }

  private IQuery<Bundle> tasks() {
    return client
        .search()
        .forResource(Task.class)
        .where(Task.PATIENT.hasId(subject()))
        .sort()
        .ascending(new DateClientParam("due-date"))
        .returnBundle(Bundle.class);
  }

  private static <T extends Resource> List<T> matches(Bundle found, Class<T> type) {
    return found.getEntry().stream()
        .filter(e -> e.getSearch().getMode() == Bundle.SearchEntryMode.MATCH)
        .map(e -> type.cast(e.getResource()))
        .collect(Collectors.toList());
  }

  private static List<String> ids(Bundle found) {
    return matches(found, Resource.class).stream().map(r -> r.getIdElement().getIdPart()).collect(Collectors.toList());
  }

  /** Reads what is there in every way. */
  private void look() {
    List<String> all =
        step(
            "a search by GET finds the Tasks of the plan",
            () -> {
              Bundle found = tasks().count(200).execute();
              same(plan.getActivity().size(), found.getTotal());
              Set<String> planned =
                  plan.getActivity().stream()
                      .map(a -> new IdType(a.getReference().getReference()).getIdPart())
                      .collect(Collectors.toSet());
              same(planned, new HashSet<>(ids(found)));
              return ids(found);
            });
    step(
        "a search by POST finds the same",
        () -> {
          same(all, ids(tasks().count(200).usingStyle(SearchStyleEnum.POST).execute()));
          return null;
        });
    step("pages forward make up the whole, and back again", () -> paging(all));
    step(
        "_include brings the patient along, once",
        () -> {
          Bundle found = tasks().include(Task.INCLUDE_PATIENT).execute();
          List<String> included =
              found.getEntry().stream()
                  .filter(e -> e.getSearch().getMode() == Bundle.SearchEntryMode.INCLUDE)
                  .map(e -> ((Patient) e.getResource()).getIdElement().toUnqualifiedVersionless().getValue())
                  .collect(Collectors.toList());
          same(List.of(subject()), included);
          return null;
        });
    step(
        "an old version and the history can be read",
        () -> {
          IdType id = plan.getIdElement().toUnqualifiedVersionless();
          Bundle history = client.history().onInstance(id).returnBundle(Bundle.class).execute();
          same(history.getTotal(), history.getEntry().size());
          CarePlan first = client.read().resource(CarePlan.class).withIdAndVersion(id.getIdPart(), "1").execute();
          same(text(history.getEntry().get(history.getTotal() - 1).getResource()), text(first));
          return null;
        });
  }

  private String text(Resource resource) {
    return client.getFhirContext().newJsonParser().encodeResourceToString(resource);
  }

  private Void paging(List<String> all) {
    List<Bundle> pages = new ArrayList<>();
    Bundle page = tasks().count(PAGE).execute();
    pages.add(page);
    while (page.getLink(IBaseBundle.LINK_NEXT) != null) {
      page = client.loadPage().next(page).execute();
      pages.add(page);
    }
    same(all, pages.stream().flatMap(p -> ids(p).stream()).collect(Collectors.toList()));
    same((all.size() + PAGE - 1) / PAGE, pages.size());
    for (int n = pages.size() - 2; n >= 0; n--) {
      page = client.loadPage().previous(page).execute();
      same(ids(pages.get(n)), ids(page));
    }
    same(null, page.getLink("previous"));
    return null;
  }

  private static String tag(Task task) {
    return "W/\"" + task.getIdElement().getVersionIdPart() + "\"";
  }

  private Task patch(Task task, String steps) {
    MethodOutcome done =
        client.patch().withBody(steps).withId(task.getIdElement().toUnqualifiedVersionless()).withAdditionalHeader("If-Match", tag(task)).execute();
    return (Task) done.getResource();
  }

  /** Subscribes to changes of Tasks. */
  private void subscribe() throws Exception {
    hook = new Hook(client.getFhirContext());
    step(
        "a Subscription is activated by a handshake",
        () -> {
          Subscription s = new Subscription().setStatus(Subscription.SubscriptionStatus.REQUESTED).setReason("Work list of an invented ward");
          s.setCriteria("https://fhirsvc.example/fhir/SubscriptionTopic/task-changed");
          s.getChannel().setType(Subscription.SubscriptionChannelType.RESTHOOK).setPayload("application/fhir+json").setEndpoint(hook.url());
          s.getChannel().getPayloadElement().addExtension(BACKPORT + "/backport-payload-content", new CodeType("id-only"));
          subscription = (IdType) client.create().resource(s).execute().getId().toUnqualifiedVersionless();
          until(
              () ->
                  client.read().resource(Subscription.class).withId(subscription).execute().getStatus()
                      == Subscription.SubscriptionStatus.ACTIVE);
          same("handshake", Hook.kindOf(hook.got().get(0)));
          return null;
        });
  }

  /** What was changed since is told, in order and with its number, and can be asked for again. */
  private void notified() {
    step(
        "the claim is told at the endpoint, and can be asked for again",
        () -> {
          Bundle found = tasks().where(Task.CODE.exactly().systemAndCode(LOCAL, "arrival-check")).execute();
          String claimed = "Task/" + ids(found).get(0);
          until(() -> Hook.foci(hook.got()).stream().filter(claimed::equals).count() >= 2); // claimed, and given back
          List<Bundle> all = hook.got();
          List<String> numbers = Hook.numbers(all);
          same(IntStream.rangeClosed(1, numbers.size()).mapToObj(String::valueOf).collect(Collectors.toList()), numbers);
          Bundle again =
              client
                  .operation()
                  .onInstance(subscription)
                  .named("$events")
                  .withNoParameters(Parameters.class)
                  .useHttpGet()
                  .returnResourceType(Bundle.class)
                  .execute();
          same(Hook.foci(all), Hook.foci(List.of(again)));
          return null;
        });
  }

  /** Waits, ten seconds at most, until something holds. */
  private static void until(Callable<Boolean> holds) throws Exception {
    for (int n = 0; n < 200; n++) {
      if (holds.call()) {
        return;
      }
      Thread.sleep(50);
    }
    throw new AssertionError("it did not come about within 10 s");
  }

  /** What is refused, and what is done once. */
  private void refusals() {
    Task task =
        matches(tasks().where(Task.CODE.exactly().systemAndCode(LOCAL, "arrival-check")).execute(), Task.class).get(0);
    String claim =
        "[{\"op\":\"test\",\"path\":\"/status\",\"value\":\"ready\"},{\"op\":\"replace\",\"path\":\"/status\",\"value\":\"in-progress\"},"
            + "{\"op\":\"add\",\"path\":\"/owner\",\"value\":{\"display\":\"Nurse Makebelieve\"}}]";
    Task claimed =
        step(
            "a JSON Patch claims a Task",
            () -> {
              Task t = patch(task, claim);
              same(Task.TaskStatus.INPROGRESS, t.getStatus());
              same(task.getIdElement().getVersionIdPartAsLong() + 1, t.getIdElement().getVersionIdPartAsLong());
              return t;
            });
    step("who comes second gets 412", () -> refused(412, "conflict", () -> patch(task, claim)));
    step(
        "it can be given back",
        () -> {
          String back = "[{\"op\":\"replace\",\"path\":\"/status\",\"value\":\"ready\"},{\"op\":\"remove\",\"path\":\"/owner\"}]";
          same(Task.TaskStatus.READY, patch(claimed, back).getStatus());
          return null;
        });
    step("a conditional create is done once", this::createdOnce);
    step(
        "a parameter that is not served is refused",
        () -> refused(400, "not-supported", () -> tasks().where(new StringClientParam("colour").matches().value("red")).execute()));
    step(
        "what is not there is 404",
        () -> refused(404, "not-found", () -> client.read().resource(Task.class).withId("none").execute()));
    step(
        "a finding without a status is refused by its element",
        () -> {
          Observation o = finding("access-site-bleeding", Instant.parse("2026-03-02T10:06:00Z"));
          o.setStatus(null);
          return refused(400, "required", () -> client.create().resource(o).execute());
        });
    step("a wrong entry stops the transaction whole", this::allOrNothing);
  }

  private Void createdOnce() {
    Observation o = finding("general-condition", Instant.parse("2026-03-02T10:06:00Z"));
    o.addIdentifier().setSystem("https://screen.example/entry").setValue("E-1");
    List<MethodOutcome> twice = new ArrayList<>();
    for (int n = 0; n < 2; n++) {
      twice.add(
          client
              .create()
              .resource(o)
              .conditional()
              .where(Observation.IDENTIFIER.exactly().systemAndIdentifier("https://screen.example/entry", "E-1"))
              .execute());
    }
    same(Boolean.TRUE, twice.get(0).getCreated());
    holds(!Boolean.TRUE.equals(twice.get(1).getCreated()), "the second is a repeat");
    same(twice.get(0).getId().toUnqualified(), twice.get(1).getId().toUnqualified());
    return null;
  }

  private int findings() {
    return client.search().forResource(Observation.class).summaryMode(SummaryEnum.COUNT).returnBundle(Bundle.class).execute().getTotal();
  }

  private Void allOrNothing() {
    int before = findings();
    Bundle both = new Bundle().setType(Bundle.BundleType.TRANSACTION);
    Instant at = Instant.parse("2026-03-02T10:06:00Z");
    for (Observation o : List.of(finding("access-site-bleeding", at), finding("access-site-bleeding", at).setCode(null))) {
      both.addEntry().setResource(o).getRequest().setMethod(Bundle.HTTPVerb.POST).setUrl("Observation");
    }
    refused(400, "required", () -> client.transaction().withBundle(both).execute());
    same(before, findings());
    return null;
  }

  private static Observation finding(String code, Instant at) {
    Observation o = new Observation().setStatus(Observation.ObservationStatus.FINAL);
    o.setCode(new CodeableConcept(new Coding(code.equals("44974-4") ? "http://loinc.org" : LOCAL, code, null)));
    o.setSubject(new Reference());
    o.getSubject().getIdentifier().setSystem("https://ehr.example/patient").setValue("T-77");
    o.setEffective(new DateTimeType(at.toString()));
    o.addPerformer().setDisplay("Nurse Makebelieve");
    if (FINDINGS.containsKey(code)) {
      o.setValue(new CodeableConcept(FINDINGS.get(code)));
    }
    return o;
  }

  private static Quantity millilitres(java.math.BigDecimal value) {
    return new Quantity().setValue(value).setUnit("mL").setSystem(UCUM).setCode("mL");
  }

  private static String codeOf(CodeableConcept c) {
    return c.getCoding().stream().filter(x -> LOCAL.equals(x.getSystem())).findFirst().orElse(c.getCodingFirstRep()).getCode();
  }

  private static Stream<Task.ParameterComponent> inputs(Task task, String type) {
    return task.getInput().stream().filter(i -> codeOf(i.getType()).equals(type));
  }

  /** Does what is due, in order, until the plan is completed; everything in transactions. */
  private void nurse() {
    Map<String, Integer> visits = new TreeMap<>();
    step(
        "a nurse does what is due until the plan is completed",
        () -> {
          for (int n = 0; n < MOST_VISITS; n++) {
            IdType id = plan.getIdElement().toUnqualifiedVersionless();
            if (client.read().resource(CarePlan.class).withId(id).execute().getStatus() == CarePlan.CarePlanStatus.COMPLETED) {
              return null;
            }
            List<Task> open = matches(tasks().where(new TokenClientParam("status").exactly().code("ready")).execute(), Task.class);
            if (open.isEmpty()) {
              turn("{\"advance\":\"PT5M\"}");
              continue;
            }
            Task task = open.stream().filter(t -> !t.getRestriction().getPeriod().hasEnd()).findFirst().orElse(open.get(0));
            visits.merge(codeOf(task.getCode()), 1, Integer::sum);
            client.transaction().withBundle(visit(task, until(task.getRestriction().getPeriod().getEnd()))).execute();
          }
          throw new AssertionError(MOST_VISITS + " visits, and the plan is still open");
        });
    step(
        "it took " + visits,
        () -> {
          same(5, visits.get("release-step"));
          same(1, visits.get("band-removal"));
          return null;
        });
  }

  /** A transaction that charts what a Task asks for, or else completes it. */
  private Bundle visit(Task task, Instant now) {
    Bundle all = new Bundle().setType(Bundle.BundleType.TRANSACTION);
    inputs(task, "required-finding")
        .forEach(
            input -> {
              String code = codeOf((CodeableConcept) input.getValue());
              Observation o = finding(code, now);
              switch (code) {
                case "band-air-removed" -> o.setValue(
                    millilitres(((Quantity) inputs(task, "planned-volume").findFirst().orElseThrow().getValue()).getValue()));
                case "band-air-volume" -> o.setValue(millilitres(new java.math.BigDecimal("15")));
                case "band-state" -> o.setValue(
                    new CodeableConcept(new Coding(LOCAL, codeOf(task.getCode()).equals("band-removal") ? "off" : "on", null)));
                default -> holds(o.hasValue(), codeOf(task.getCode()) + " asks for " + code);
              }
              all.addEntry().setResource(o).getRequest().setMethod(Bundle.HTTPVerb.POST).setUrl("Observation");
            });
    if (all.getEntry().isEmpty()) {
      String steps =
          "[{\"op\":\"replace\",\"path\":\"/status\",\"value\":\"completed\"},"
              + "{\"op\":\"add\",\"path\":\"/executionPeriod\",\"value\":{\"end\":\"" + now + "\"}}]";
      Binary patch = new Binary().setContentType("application/json-patch+json");
      patch.setData(steps.getBytes(StandardCharsets.UTF_8));
      all.addEntry().setResource(patch).getRequest().setMethod(Bundle.HTTPVerb.PATCH).setUrl("Task/" + task.getIdElement().getIdPart());
    }
    return all;
  }

  /** Turns the sandbox's clock to an instant if that is to come; gives the time then. */
  private Instant until(Date instant) throws Exception {
    Instant now = turn(null);
    if (instant == null || !instant.toInstant().isAfter(now)) {
      return now;
    }
    return turn("{\"now\":\"" + instant.toInstant() + "\"}");
  }

  /** Asks the sandbox's clock, or turns it; gives the time then. */
  private Instant turn(String body) throws Exception {
    HttpRequest.Builder request = HttpRequest.newBuilder(URI.create(server + "/sandbox/clock"));
    if (body != null) {
      request.POST(HttpRequest.BodyPublishers.ofString(body));
    }
    HttpResponse<String> answer = http.send(request.build(), HttpResponse.BodyHandlers.ofString());
    same(200, answer.statusCode());
    Matcher now = Pattern.compile("\"now\":\\s*\"([^\"]+)\"").matcher(answer.body());
    holds(now.find(), answer.body());
    return Instant.parse(now.group(1));
  }

  private void end() {
    step(
        "no Task is left open, and the findings are all there",
        () -> {
          List<Task> open =
              matches(tasks().where(new TokenClientParam("status").exactly().codes("draft", "ready", "in-progress", "on-hold")).execute(), Task.class);
          same(List.of(), open.stream().map(t -> codeOf(t.getCode())).collect(Collectors.toList()));
          Bundle removed =
              client
                  .search()
                  .forResource(Observation.class)
                  .where(Observation.CODE.exactly().systemAndCode(LOCAL, "band-air-removed"))
                  .and(Observation.PATIENT.hasId(subject()))
                  .returnBundle(Bundle.class)
                  .execute();
          same(5, removed.getTotal());
          return null;
        });
    step(
        "each version says who made it",
        () -> {
          Bundle by =
              client
                  .search()
                  .forResource(Provenance.class)
                  .where(Provenance.TARGET.hasId(plan.getIdElement().toUnqualifiedVersionless()))
                  .count(1)
                  .returnBundle(Bundle.class)
                  .execute();
          holds(by.getTotal() > 0, "somebody did");
          return null;
        });
  }
}
